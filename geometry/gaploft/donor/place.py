"""Placing a donor on a broken tube, and refusing to guess where several places fit."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from gaploft.donor.coarse import Start, starts
from gaploft.donor.flanks import Flanks
from gaploft.donor.laid import Ground, Laid, lay
from gaploft.donor.model import Mark, PlacedFit, Placement
from gaploft.donor.rings import Rings, rings_of
from gaploft.errors import EvidenceError
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.shape import Shape
from gaploft.tube.axes import SIDE, SLIDE, TILT, TWIST, inverse, moved
from gaploft.tube.robust import blocks

Floats = NDArray[np.float64]

#: Placements whose shapes over the damage differ by less than this are the same for what is machined, mm.
SAME_MM = 0.05
#: Half the standard uncertainty of a scan's own noise in a block mean, at least, mm: below it two placements
#: fit equally well.
_LEAST_MM = 0.002
#: How many standard deviations worse a placement has to fit before it is ruled out.
_RULED_OUT = 4.0
#: Steps along a direction that the flanks hardly show, mm at the tube's radius.
_TRIED_MM = (1.0, 2.0, 4.0, 8.0, 16.0)
#: A direction whose standard uncertainty is more than this is tried, mm.
_UNSURE_MM = 0.1
#: Another coat of paint is no thicker than this, mm (common practice, no source: a frame has 0.1 to 0.25).
_THICKEST_COAT_MM = 0.3
#: Points and rounds with which the starts are followed first.
_FEW_POINTS, _QUICK_ROUNDS = 2_000, 15
#: A donor this far off the flanks is another tube altogether, mm (common practice, no source: halves that
#: moved by half a millimetre, another coat and another size stay below).
FURTHEST_MM = 0.25


@dataclass(frozen=True)
class _Way:
    """One placement: what was laid, mean distances over blocks of the flanks, and how well they fit."""

    laid: Laid
    misfit_mm: float
    n_blocks: int


def place(flanks: Flanks, shape: Shape, *, mark: Mark | None = None) -> Placement:
    """Lay a whole tube onto the flanks of a broken one.

    Parameters
    ----------
    flanks : of the broken tube
    shape : the whole tube, in any pose
    mark : a place seen on both, where the flanks alone do not decide

    Raises
    ------
    EvidenceError
        The donor is too short, fits nowhere, or fits at several places that would give different shapes
        over the damage.
    """
    ground = Ground.of(shape)
    rings = rings_of(shape.surface, shape.range_u)
    begun = starts(flanks.rings, rings)
    if mark is not None:
        begun = tuple(_turned_to_mark(start, rings, mark) for start in begun)
    ways = _ways(ground, flanks, [start.matrix for start in begun], mark)
    if mark is not None:
        # A mark is a place, not a hint: what lies elsewhere is no answer.
        ways = [way for way in ways if _off_mark(way, mark) < 6.0 * mark.doubt_mm]
    if not ways:
        raise EvidenceError(
            "the donor fits nowhere on the intact tube beside the damage: check that it is the same model, "
            "and its unit"
        )
    ways.sort(key=lambda way: way.misfit_mm)
    best = ways[0]
    if best.laid.scale_mm > FURTHEST_MM:
        raise EvidenceError(
            f"the donor is {best.laid.scale_mm:.2f} mm off the intact tube where it fits best: it is not the "
            "same part, or the unit of its scan is another"
        )
    around = _around(ground, flanks, best.laid.matrix)
    others = 0
    if mark is None:
        _refuse_free(ground, flanks, best, around)
        others = _refuse_to_guess(ground, flanks, ways, around)
    return _placement(flanks, shape, best, marked=mark is not None, others=others)


@dataclass(frozen=True)
class Moved:
    """How far a donor had to be moved from where it was expected: across the tube, and its axis."""

    offset_mm: float
    angle_deg: float


def settle_near(flanks: Flanks, shape: Shape, *, doubt_mm: float = 0.3) -> tuple[Placement, Moved]:
    """Lay a whole tube onto the flanks that lies nearly right already.

    Parameters
    ----------
    doubt_mm : how well its place is known along directions that the flanks do not show

    Raises
    ------
    EvidenceError
        Hardly any of the flanks meets it, or it does not fit.
    """
    laid = lay(Ground.of(shape), flanks.points_mm, np.eye(4))
    if laid is None:
        raise EvidenceError(
            "where the donor should lie, it does not meet the intact tube beside the damage: check its place"
        )
    if laid.scale_mm > FURTHEST_MM:
        raise EvidenceError(
            f"the donor is {laid.scale_mm:.2f} mm off the intact tube where it should lie: it is not the "
            "same part"
        )
    covariance = laid.covariance + doubt_mm**2 * laid.held @ laid.held.T
    way = _Way(replace(laid, covariance=covariance), laid.rms_mm, 1)
    stations = np.mean(flanks.gap_mm) + np.array([[-1.0], [0.0], [1.0]])
    middle = flanks.surface.evaluate(stations, np.arange(32) * (TURN_RAD / 32)).mean(axis=1)
    axis = (middle[2] - middle[0]) / np.linalg.norm(middle[2] - middle[0])
    shift = moved(middle[1:2], inverse(laid.matrix))[0] - middle[1]
    leaning = float(np.clip(axis @ laid.matrix[:3, :3] @ axis, -1.0, 1.0))
    offset = float(np.linalg.norm(shift - (shift @ axis) * axis))
    return _placement(flanks, shape, way, marked=False, others=0), Moved(
        offset, float(np.degrees(np.arccos(leaning)))
    )


def _ways(ground: Ground, flanks: Flanks, begun: Sequence[Floats], mark: Mark | None) -> list[_Way]:
    """Lay the donor from every start, with few points first, and from different ends with all of them."""
    pinned = None if mark is None else (mark.on_tube_mm, mark.on_donor_mm, mark.doubt_mm)
    few = flanks.points_mm[:: max(1, len(flanks.points_mm) // _FEW_POINTS)]
    quick = [lay(ground, few, start, pinned=pinned, rounds=_QUICK_ROUNDS) for start in begun]
    ends: list[Laid] = []
    for laid in sorted((laid for laid in quick if laid), key=lambda laid: laid.scale_mm):
        hopeless = bool(ends) and laid.scale_mm > max(3.0 * ends[0].scale_mm, 0.1)
        if not hopeless and not any(_same_motion(laid.matrix, other.matrix, few) for other in ends):
            ends.append(laid)
    found = []
    for end in ends:
        rigid = _way(flanks, lay(ground, flanks.points_mm, end.matrix, pinned=pinned))
        if rigid is None:
            continue
        coated = lay(ground, flanks.points_mm, rigid.laid.matrix, pinned=pinned, coat=True)
        found.append(_simpler(rigid, _way(flanks, coated)))
    return found


def _way(flanks: Flanks, laid: Laid | None) -> _Way | None:
    if laid is None:
        return None
    inside = laid.counted
    return _Way(laid, *_block_misfit(flanks.points_mm[inside], laid.residual_mm[inside]))


def _simpler(rigid: _Way, coated: _Way | None) -> _Way:
    """The placement alone, unless another coat of paint on the tube explains more than noise would."""
    if coated is None or abs(coated.laid.coat_mm) > _THICKEST_COAT_MM:
        return rigid
    return rigid if _fits_as_well(rigid.misfit_mm, coated) else coated


def _block_misfit(points: Floats, residual: Floats) -> tuple[float, int]:
    """Root mean square of the mean residuals of blocks, and how many blocks: noise goes together in them,
    and what does not fit stands out."""
    block = blocks(points)
    count = np.bincount(block)
    full = count >= 0.3 * np.median(count)
    means = np.bincount(block, residual)[full] / count[full]
    return float(np.sqrt(np.mean(means**2))), int(full.sum())


def _fits_as_well(misfit_mm: float, best: _Way) -> bool:
    """Whether a placement can't be told from the best one by the flanks."""
    spread = np.sqrt(2.0 / best.n_blocks)
    return misfit_mm**2 < (max(best.misfit_mm, _LEAST_MM) ** 2) * (1.0 + _RULED_OUT * spread)


@dataclass(frozen=True)
class _Around:
    """The donor as it lies best, on a grid over the damage and the flanks: (n_u, n_v, 3), and which stations
    (n_u,) lie in the damage."""

    points: Floats
    at_mm: Floats
    in_gap: NDArray[np.bool_]


def _around(ground: Ground, flanks: Flanks, matrix: Floats) -> _Around:
    (start, stop), (first, last) = flanks.gap_mm, flanks.tube.flank_mm
    reach = max(1.5 * (stop - start), 4.0 * flanks.tube.radius_mm)
    flank = (
        np.linspace(max(first, start - reach), start, 13),
        np.linspace(stop, min(last, stop + reach), 13),
    )
    u = np.concatenate([flank[0], np.linspace(start, stop, 18)[1:-1], flank[1]])
    near = flanks.surface.evaluate(u[:, None], np.arange(40) * (TURN_RAD / 40))
    feet = ground.feet(moved(near.reshape(-1, 3), inverse(matrix)))
    points = moved(ground.surface.evaluate(feet.u, feet.v), matrix).reshape(near.shape)
    inside = ground.inside(feet.u).reshape(near.shape[:2]).all(axis=1)
    return _Around(points[inside], u[inside], ((u > start) & (u < stop))[inside])


def _apart(ground: Ground, matrix: Floats, around: _Around) -> float:
    """How much another placement changes the shape over the damage, mm, once both meet the flanks.

    The smooth correction that closes what is left at the rims takes out what a cubic along the tube can carry
    over from the flanks, line by line; the rest stays.
    """
    shape = around.points.shape[:2]
    feet = ground.feet(moved(around.points.reshape(-1, 3), inverse(matrix)))
    inside = np.asarray(ground.inside(feet.u).reshape(shape).all(axis=1))
    if not inside[around.in_gap].all():
        return float("inf")
    off = feet.distance_mm.reshape(shape)
    seen = inside & ~around.in_gap
    along = (around.at_mm - around.at_mm.mean()) / np.ptp(around.at_mm)
    powers = np.vander(along, 4)
    carried = powers[around.in_gap] @ np.linalg.lstsq(powers[seen], off[seen], rcond=None)[0]
    return float(np.abs(off[around.in_gap] - carried).max(initial=0.0))


def _refuse_to_guess(ground: Ground, flanks: Flanks, ways: Sequence[_Way], around: _Around) -> int:
    """Raise where another start ends at a placement that fits as well and means another shape; else count
    those that mean the same shape."""
    best, same = ways[0], 0
    for way in ways[1:]:
        if not _fits_as_well(way.misfit_mm, best):
            continue
        if _same_motion(way.laid.matrix, best.laid.matrix, around.points.reshape(-1, 3)):
            continue
        apart = _apart(ground, way.laid.matrix, around)
        if apart > SAME_MM:
            raise EvidenceError(
                f"the donor fits the intact tube at more than one place, and they differ {_by(apart)} "
                "over the damage: mark one place that you see on both scans"
            )
        same += 1
    return same


def _by(apart_mm: float) -> str:
    return f"by {apart_mm:.2f} mm" if np.isfinite(apart_mm) else "wholly"


def _same_motion(first: Floats, second: Floats, points: Floats) -> bool:
    """Whether two placements of the donor are one, to within half a millimetre at points of the tube."""
    there = moved(moved(points, inverse(first)), second)
    return bool(np.linalg.norm(there - points, axis=1).max() < 0.5)


def _refuse_free(ground: Ground, flanks: Flanks, best: _Way, around: _Around) -> None:
    """Raise where the donor can slide or turn on the flanks unseen, and the damage would look different."""
    laid = best.laid
    directions = [*laid.held.T, *_unsure(laid)]
    for direction in directions:
        for step in (sign * size for size in _TRIED_MM for sign in (1.0, -1.0)):
            shifted = laid.matrix @ laid.axes.matrix(step * direction)
            feet = ground.feet(moved(flanks.points_mm, inverse(shifted)))
            counted = laid.counted & ground.inside(feet.u)
            off = feet.distance_mm[counted]
            off = off - (off.mean() if laid.coat_mm else 0.0)
            misfit, _ = _block_misfit(flanks.points_mm[counted], off)
            if not _fits_as_well(misfit, best):
                continue
            apart = _apart(ground, shifted, around)
            if apart > SAME_MM:
                name = "turn" if abs(direction[TWIST]) > abs(direction[SLIDE]) else "slide"
                raise EvidenceError(
                    f"the donor can {name} on the intact tube without being seen to, by {abs(step):.0f} mm "
                    f"and more, and the shape over the damage would then differ {_by(apart)}: mark one "
                    "place that you see on both scans"
                )


def _unsure(laid: Laid) -> list[Floats]:
    """Directions that the flanks show, but hardly."""
    size, ways = np.linalg.eigh(laid.covariance)
    return [way for value, way in zip(size, ways.T, strict=True) if value > _UNSURE_MM**2]


def _off_mark(way: _Way, mark: Mark) -> float:
    return float(np.linalg.norm(moved(mark.on_donor_mm[None], way.laid.matrix)[0] - mark.on_tube_mm))


def _turned_to_mark(start: Start, rings: Rings, mark: Mark) -> Start:
    """A start turned about the donor's axis and slid along it until the marks come together."""
    there = moved(mark.on_tube_mm[None], inverse(start.matrix))[0]
    nearest = int(((rings.centres_mm - mark.on_donor_mm) ** 2).sum(axis=1).argmin())
    centre, (axis, first, second) = rings.centres_mm[nearest], rings.axes[nearest]
    angles = [np.arctan2((p - centre) @ second, (p - centre) @ first) for p in (mark.on_donor_mm, there)]
    turn = np.eye(4)
    turn[:3, :3] = Rotation.from_rotvec((angles[1] - angles[0]) * axis).as_matrix()
    turn[:3, 3] = centre - turn[:3, :3] @ centre + ((there - mark.on_donor_mm) @ axis) * axis
    return replace(start, matrix=start.matrix @ turn)


def _placement(flanks: Flanks, shape: Shape, way: _Way, *, marked: bool, others: int) -> Placement:
    """The shape in its place, with what the placement adds to its spread."""
    # The noise of the donor's scan moves it as much as that of the flanks does.
    laid = replace(way.laid, covariance=2.0 * way.laid.covariance)
    uu, vv = np.meshgrid(
        shape.known_at,
        np.arange(shape.spread_mm.shape[1]) * (TURN_RAD / shape.spread_mm.shape[1]),
        indexing="ij",
    )
    points = shape.surface.evaluate(uu, vv).reshape(-1, 3)
    normals = shape.surface.normals(uu, vv).reshape(-1, 3)
    columns = laid.axes.columns(points, normals)
    own = np.einsum("ij,jk,ik->i", columns, laid.covariance, columns).reshape(uu.shape)
    wider = replace(shape, spread_mm=np.sqrt(shape.spread_mm**2 + np.maximum(own, 0.0)))
    placed = wider.moved(laid.matrix)
    ends = flanks.surface.evaluate(np.array(flanks.gap_mm)[:, None], np.arange(32) * (TURN_RAD / 32))
    middles = ends.mean(axis=1)
    first, last = placed.sweep.arc.straightened(middles)[:, 0]
    reverse = bool(first > last)
    if reverse:
        placed = placed.reversed()
        first, last = -first, -last
    covered = (float(first - placed.range_u[0]), float(placed.range_u[1] - last))
    return Placement(placed, _told(laid, reverse, covered, marked, others))


def _told(laid: Laid, reverse: bool, covered: tuple[float, float], marked: bool, others: int) -> PlacedFit:
    spread = np.sqrt(np.maximum(np.diag(laid.covariance), 0.0))
    degrees = float(np.degrees(1.0 / laid.axes.radius_mm))
    shown = 1.0 - (laid.held**2).sum(axis=1)
    free = tuple(
        name for name, k in (("twist", TWIST), ("slide", SLIDE)) if shown[k] < 0.5 or spread[k] > _UNSURE_MM
    )

    def across(part: slice) -> float:
        return float(np.sqrt(np.mean(spread[part] ** 2)))

    return PlacedFit(
        matrix=tuple(tuple(float(x) for x in row) for row in laid.matrix),
        reversed=reverse,
        misfit_mm=laid.scale_mm,
        coat_mm=laid.coat_mm,
        rms_mm=laid.rms_mm,
        share=laid.share,
        flank_mm=covered,
        offset_u_mm=across(SIDE),
        angle_u_deg=degrees * across(TILT),
        twist_u_deg=degrees * float(spread[TWIST]) if shown[TWIST] > 0.5 else None,
        slide_u_mm=float(spread[SLIDE]) if shown[SLIDE] > 0.5 else None,
        free=free,
        marked=marked,
        other_ways=others,
    )
