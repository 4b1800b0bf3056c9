"""Where junctions are damaged: across a fillet, in a crotch, half on a tube, round a branch, between two.

The main tube lies along x through the origin, branches rise from it to the side of +z and lean to +x: the
acute crotch is at +x, the sides are at y and -y.
"""

from collections.abc import Callable

import numpy as np

from cad_skin import CadSkin
from junction_cad import Tube, joined
from junction_damage import Mark, Site
from junction_mesh import Floats

Vector = tuple[float, float, float]
Marking = Callable[[CadSkin], Mark]

SIDE: Vector = (0.0, 1.0, 0.0)
CROTCH: Vector = (1.0, 0.0, 0.0)


def _main(radius_mm: float) -> Tube:
    return Tube((-120.0, 0.0, 0.0), (1.0, 0.0, 0.0), radius_mm, 240.0)


def _branch(
    radius_mm: float,
    lean_deg: float,
    *,
    start_mm: tuple[float, float] = (0.0, 0.0),
    aside_deg: float = 0.0,
    end_radius_mm: float | None = None,
    length_mm: float = 110.0,
) -> Tube:
    """A branch at ``lean_deg`` to the main tube, from (x, y) ``start_mm``, turned about it."""
    lean, aside = np.deg2rad([lean_deg, aside_deg])
    up = float(np.sin(lean))
    direction = (float(np.cos(lean)), up * float(np.sin(aside)), up * float(np.cos(aside)))
    return Tube((*start_mm, 0.0), direction, radius_mm, length_mm, end_radius_mm)


def _shape(main_mm: float, *branches: Tube, fillet_mm: float) -> Callable[[], CadSkin]:
    return lambda: joined(_main(main_mm), branches, fillet_mm)


def _spot(
    toward: Vector,
    share: float,
    size_mm: float,
    *,
    shift_mm: Vector = (0.0, 0.0, 0.0),
    island_mm: float = 0.0,
) -> Marking:
    """Round, about the fillet's point farthest to one side; ``share`` 0 is the main tube."""

    def mark(skin: CadSkin) -> Mark:
        at = _farthest(skin, toward, share) + shift_mm
        # round an island there are holes in places only, or it would be lost
        hole = (0.6, 1.0) if island_mm else Mark.hole
        return Mark(skin.project(at[None])[0], 0.5 * size_mm, island_mm, hole)

    return mark


def _farthest(skin: CadSkin, toward: Vector, share: float, *, branch: int = 1) -> Floats:
    """The point of a fillet's line that is farthest to one side."""
    line = skin.along_fillet(branch, share)
    return np.asarray(line[np.argmax(line @ toward)])


def _across(toward: Vector, length_mm: float, width_mm: float) -> Marking:
    """Elongated: from the main tube across the fillet onto the branch."""

    def mark(skin: CadSkin) -> Mark:
        low, middle, high = (_farthest(skin, toward, share) for share in (0.0, 0.5, 1.0))
        way = (high - low) / np.linalg.norm(high - low)
        reach = 0.5 * (length_mm - width_mm)
        source, _ = skin.project(middle + np.linspace(-reach, reach, 60)[:, None] * way)
        return Mark(source, 0.5 * width_mm)

    return mark


def _along(half_mm: float, *, toward: Vector | None = None) -> Marking:
    """Along the middle of the fillet: all round the branch, or the half of it on one side."""

    def mark(skin: CadSkin) -> Mark:
        line = skin.along_fillet(1, 0.5)
        if toward is None:
            return Mark(line, half_mm, hole=(0.3, 0.15))
        return Mark(line[line @ toward >= 0.0], half_mm)

    return mark


def _between(size_mm: float) -> Marking:
    """Round, halfway between the fillets of two branches where these are nearest to each other."""

    def mark(skin: CadSkin) -> Mark:
        first, second = skin.along_fillet(1, 0.0), skin.along_fillet(2, 0.0)
        apart = np.linalg.norm(first[:, None] - second[None], axis=2)
        i, j = np.unravel_index(apart.argmin(), apart.shape)
        return Mark(skin.project(0.5 * (first[i] + second[j])[None])[0], 0.5 * size_mm)

    return mark


def _tee(fillet_mm: float) -> Callable[[], CadSkin]:
    return _shape(17.0, _branch(12.0, 90.0), fillet_mm=fillet_mm)


def _leaning(lean_deg: float, fillet_mm: float) -> Callable[[], CadSkin]:
    return _shape(17.0, _branch(12.0, lean_deg), fillet_mm=fillet_mm)


_STAY = _branch(8.0, 60.0)
_CONE = _branch(9.0, 60.0, end_radius_mm=7.0)
_SLIM = _branch(9.5, 64.0, end_radius_mm=7.0)
_BACK: Vector = (-0.3, -1.0, 0.0)
_BLUNT = _shape(17.0, _branch(11.0, 70.0), fillet_mm=9.0)
_FORK = _shape(17.5, _branch(13.0, 50.0), fillet_mm=5.0)
_LOW = _branch(9.0, 60.0, start_mm=(0.0, 5.0))
_SHORT = _shape(17.0, _branch(10.0, 90.0, length_mm=52.0), fillet_mm=8.0)
_CLUSTER = _shape(
    17.0, _branch(11.0, 65.0, start_mm=(8.0, 0.0)), _branch(8.0, 125.0, start_mm=(-20.0, 0.0)), fillet_mm=6.0
)
_TWO_STAYS = _shape(
    16.0, _branch(8.0, 60.0, aside_deg=65.0), _branch(8.0, 60.0, aside_deg=-65.0), fillet_mm=4.0
)

CAD_SITES = (
    Site("tee_side", _tee(6.0), _spot(SIDE, 0.5, 20.0), 20.0),
    Site("tee_main_edge", _tee(10.0), _spot((0.7, 0.7, 0.0), 0.0, 25.0), 25.0),
    Site("tee_crown", _tee(15.0), _spot(CROTCH, 0.5, 15.0), 15.0),
    Site("tee_ring", _tee(12.0), _spot((0.5, 0.8, 0.0), 0.4, 40.0, island_mm=7.0), 40.0),
    Site("tee_all_round", _SHORT, _along(10.0), 20.0),
    Site("lean60_crotch", _leaning(60.0, 8.0), _spot(CROTCH, 0.5, 25.0), 25.0),
    Site("lean60_side", _leaning(60.0, 4.0), _spot(SIDE, 0.5, 15.0), 15.0, kept_out=True),
    Site("lean60_long", _leaning(60.0, 10.0), _across(SIDE, 40.0, 18.0), 18.0, kept_out=True),
    Site("y45_branch_edge", _leaning(45.0, 6.0), _spot(SIDE, 1.0, 20.0), 20.0),
    Site("y45_crotch", _leaning(45.0, 12.0), _spot(CROTCH, 0.5, 30.0), 30.0, kept_out=True),
    Site(
        "y45_both_crotches", _leaning(45.0, 8.0), _along(9.0, toward=SIDE), 18.0, kept_out=True, edge_mm=0.65
    ),
    Site(
        "stay_flank",
        _shape(16.0, _STAY, fillet_mm=4.0),
        _spot((-0.6, 0.8, 0.0), 0.0, 20.0, shift_mm=(-2.0, 3.0, 0.0)),
        20.0,
    ),
    Site("stay_crotch", _shape(16.0, _STAY, fillet_mm=6.0), _spot(CROTCH, 0.5, 20.0), 20.0, kept_out=True),
    Site("cone_stay_crotch", _shape(16.0, _CONE, fillet_mm=12.0), _spot(CROTCH, 0.5, 25.0), 25.0),
    Site("cone_stay_side", _shape(16.0, _CONE, fillet_mm=15.0), _spot(SIDE, 0.5, 30.0), 30.0),
    Site("offset_side", _shape(16.0, _LOW, fillet_mm=8.0), _spot((0.0, -1.0, 0.0), 0.5, 25.0), 25.0),
    Site(
        "offset_crotch",
        _shape(17.0, _branch(12.0, 75.0, start_mm=(0.0, 4.0)), fillet_mm=10.0),
        _spot(CROTCH, 0.5, 20.0),
        20.0,
        kept_out=True,
    ),
    Site(
        "equal_side",
        _shape(17.0, _branch(15.5, 90.0), fillet_mm=8.0),
        _spot((0.5, 0.9, 0.0), 0.5, 30.0),
        30.0,
    ),
    Site(
        "equal_crotch",
        _shape(17.0, _branch(16.0, 60.0), fillet_mm=6.0),
        _spot(CROTCH, 0.5, 40.0),
        40.0,
        kept_out=True,
        edge_mm=0.65,
    ),
    Site("cluster_between", _CLUSTER, _between(40.0), 40.0),
    Site("two_stays_between", _TWO_STAYS, _between(30.0), 30.0, kept_out=True),
    Site(
        "tee_wide_side",
        _shape(18.0, _branch(13.0, 90.0), fillet_mm=15.0),
        _spot((0.4, 0.9, 0.0), 0.6, 18.0),
        18.0,
        kept_out=True,
    ),
    Site("slim_cone_back", _shape(17.0, _SLIM, fillet_mm=13.0), _spot(_BACK, 0.4, 26.0), 26.0, kept_out=True),
    Site("lean70_crotch", _BLUNT, _spot(CROTCH, 0.4, 22.0), 22.0, kept_out=True),
    Site("y50_side", _FORK, _spot(SIDE, 0.6, 18.0), 18.0, kept_out=True),
)
