"""From trusted scan to a meeting of tubes: which there are, and how they are rounded into each other."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.errors import EvidenceError, InputError
from gaploft.job_patch import Crease
from gaploft.patch.energy import Directed
from gaploft.patch.ground import make_ground
from gaploft.patch.meeting import Meeting, touching_pairs
from gaploft.patch.nodes import point_areas
from gaploft.patch.radii import fillet_again, given_fillet, with_fillets
from gaploft.patch.region import Region
from gaploft.patch.settle import Cloud, Laid, laid_on, settled
from gaploft.patch.sheet import Sheet
from gaploft.patch.sheets import HOLLOW_MM, curvatures, find_sheets
from gaploft.patch.tubes import TubeSheet, fit_tube

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: A close fit for curvatures: its stiffness, mm, and rounds.
_CLOSE_MM, _CLOSE_ROUNDS = 1.2, 4
#: Sheets go on so far under a junction, in radii of the largest fillet, and at least mm.
_UNDER_RADII, _UNDER_MM = 1.5, 12.0
#: Points nearer to a fillet than this, mm, speak for neither sheet; points this many times the noise off are
#: none of theirs.
_BETWEEN_MM, _OFF_TIMES = 0.8, 6.0
#: Points of a fillet whose radius is not known yet are off it by no more, mm; it is told with robust weights.
_ROUND_MM = 1.0
#: Tubes and radii are told in turns, at least and at most so often, until no radius changes by this share.
_LEAST_ROUNDS, _MOST_ROUNDS, _SAME_SHARE = 2, 5, 0.003
#: A drawn edge is no farther than this from both of its tubes on the mean, or three of its radii, mm.
_CREASE_MM = 6.0
#: A meeting is one when so much of the trusted scan lies within that many times its noise of it.
_HOLDS_SHARE, _HOLDS_TIMES = 0.93, 4.0


class UnseenEdge(EvidenceError):
    """Tubes meet in an edge that no scan shows: nothing says what any other surface would be off there."""


@dataclass(frozen=True)
class Joined:
    """Tubes that meet, with the fits of their sheets.

    ``owner`` (n,) is the number of the sheet whose fit each point of the region took part in, -1 for none;
    ``on_fillet`` (n,) are points that the radii were told from; ``under_mm`` is how far the tubes go on past
    what is seen.
    """

    meeting: Meeting
    tubes: tuple[TubeSheet, ...]
    owner: NDArray[np.int64]
    noise_mm: float
    on_fillet: Bools
    under_mm: float


def find_joined(
    region: Region,
    trusted: Bools,
    spacing_mm: float,
    tick: Callable[[float], None],
    creases: tuple[Crease, ...] = (),
) -> Joined:
    """Tubes around damage and the fillets between them.

    Parameters
    ----------
    trusted : (n,) bool, points of the region that may be used
    creases : edges drawn by hand: they say how the two tubes nearest to them are rounded

    Raises
    ------
    EvidenceError
        The surroundings are no tubes, or these don't explain the scan.
    """
    laid = _close_fit(region, trusted, spacing_mm)
    tick(0.4)
    sheet = find_sheets(laid, laid.ground.lost < 0.2)
    n_sheets = int(sheet.max()) + 1
    hollow = curvatures(laid)[:, 0] < -1.0 / HOLLOW_MM
    points = np.flatnonzero(trusted)
    node = laid.owner
    start = _radius(laid, hollow)
    reach = _reach(region.points[points], creases)
    tubes = _tubes(region, points, sheet[node], [None] * n_sheets, max(_under(start), reach))
    noise = float(np.median([tube.intact.noise_mm for tube in tubes]))
    pairs = touching_pairs(sheet, laid.stencil.near, hollow, rings=7)
    between = points[hollow[node]]
    meeting = _with_fillets(tubes, region.points[between], dict.fromkeys(pairs, start), noise)
    owner = np.full(len(region.points), -1, dtype=np.int64)
    round_ = np.zeros(len(region.points), dtype=bool)
    for k in range(_MOST_ROUNDS):
        tick(0.4 + 0.1 * k)
        own = _shared_out(meeting, region.points[points], noise)
        largest = max((f.radius_mm for f in meeting.fillets), default=start)
        tubes = _tubes(region, points, own, tubes, max(_under(largest), reach))
        starts = {fillet.pair: fillet.radius_mm for fillet in meeting.fillets}
        on_fillet = points[own == -2]
        meeting = _with_fillets(tubes, region.points[on_fillet], starts, noise)
        owner[points] = np.maximum(own, -1)
        round_[points] = own == -2
        if k + 1 >= _LEAST_ROUNDS and _same(meeting, starts):
            break
    meeting = with_creases(meeting, creases)
    _check_rounded(meeting, n_sheets, creases)
    off = np.abs(meeting.against(region.points[points]).distance)
    share = float((off < _HOLDS_TIMES * noise).mean())
    if share < _HOLDS_SHARE:
        raise EvidenceError(
            f"tubes with rounded edges explain {100.0 * share:.0f} % of the scan around the damage, "
            f"{100.0 * _HOLDS_SHARE:.0f} % are needed"
        )
    return Joined(meeting, tubes, owner, noise, round_, max(_under(largest), reach))


def _same(meeting: Meeting, radii: dict[tuple[int, int], float]) -> bool:
    """Whether a meeting has these fillets, of nearly these radii."""
    now = {fillet.pair: fillet.radius_mm for fillet in meeting.fillets}
    return now.keys() == radii.keys() and all(
        abs(now[pair] - radius) < _SAME_SHARE * radius for pair, radius in radii.items()
    )


def with_creases(meeting: Meeting, creases: tuple[Crease, ...]) -> Meeting:
    """The meeting with drawn edges: a radius that was typed goes before one that the scan shows.

    Raises
    ------
    InputError
        A crease runs along no edge of two tubes.
    """
    fillets = {fillet.pair: fillet for fillet in meeting.fillets}
    for crease in creases:
        off = np.stack([np.abs(sheet.feet(crease.points_mm).distance).mean() for sheet in meeting.sheets])
        if len(off) < 2 or np.sort(off)[1] > max(3.0 * crease.radius_mm, _CREASE_MM):
            raise InputError(
                "a crease lies along no edge of two tubes around the damage: draw it where they "
                "meet, or remove it"
            )
        one, two = sorted(int(k) for k in np.argsort(off)[:2])
        fillets.pop((one, two), None)
        if crease.radius_mm > 0.0:
            place = crease.points_mm[len(crease.points_mm) // 2]
            made = given_fillet(meeting, (one, two), crease.radius_mm, place)
            if made is None:
                raise InputError(
                    f"no ball of {crease.radius_mm:g} mm fits between the two tubes along a crease: give a "
                    "smaller radius"
                )
            fillets[one, two] = made
    return meeting.with_fillets(tuple(fillets[pair] for pair in sorted(fillets)))


def _check_rounded(meeting: Meeting, n_sheets: int, creases: tuple[Crease, ...]) -> None:
    """Raise EvidenceError where tubes meet in an edge that the scan shows nothing of."""
    seen = {k for fillet in meeting.fillets for k in fillet.pair}
    if n_sheets > 1 and len(seen) < n_sheets and not creases:
        raise UnseenEdge(
            "the scan shows nothing of how two of the tubes are rounded into each other: draw their edge as "
            "a crease and give its radius"
        )


def _close_fit(region: Region, trusted: Bools, spacing_mm: float) -> Laid:
    """A surface close to the trusted scan, without anything across the damage."""
    keep = trusted[region.faces].all(axis=1)
    part = replace(region, faces=region.faces[keep], outline=(), holes=())
    ground = make_ground(part, spacing_mm)
    cloud = Cloud(region.points[trusted], point_areas(region.points, region.faces)[trusted])
    laid = laid_on(ground, ground.points, ground.normals, np.zeros_like(ground.points), cloud)
    weights = np.ones(len(cloud.points))
    return settled(laid, cloud, weights, Directed(), _CLOSE_MM, rounds=_CLOSE_ROUNDS)


def _radius(laid: Laid, hollow: Bools) -> float:
    """Middling radius of what is hollow."""
    if not hollow.any():
        return _UNDER_MM / _UNDER_RADII
    return float(np.median(-1.0 / curvatures(laid)[hollow, 0]))


def _under(radius_mm: float) -> float:
    """How far sheets go on under a junction with fillets of this radius, mm."""
    return max(_UNDER_RADII * radius_mm, _UNDER_MM)


def _reach(points: Floats, creases: tuple[Crease, ...]) -> float:
    """How far sheets have to go on for drawn edges to lie on them, mm."""
    tree = cKDTree(points)
    return max(
        (float(tree.query(one.points_mm)[0].max()) + _UNDER_RADII * one.radius_mm for one in creases),
        default=0.0,
    )


def _tubes(
    region: Region,
    points: NDArray[np.int64],
    sheet: NDArray[np.int64],
    like: Sequence[TubeSheet | None],
    under_mm: float,
) -> tuple[TubeSheet, ...]:
    """One fit for each sheet, like an earlier one if there is one; EvidenceError where it is no tube.

    A short one shows little of how its noise goes together, and a shape that follows noise leads anywhere:
    what the largest sheet shows of it, which comes from the same scanner, holds for all.
    """
    if not like:
        raise EvidenceError("no smooth sheet of any size is seen around the damage")
    members = [points[sheet == k] for k in range(len(like))]
    found: list[TubeSheet | None] = [None] * len(like)
    density = 0.0
    for k in sorted(range(len(like)), key=lambda k: -len(members[k])):
        fit = fit_tube(region.points[members[k]], region.normals[members[k]], under_mm, like[k], density)
        density, found[k] = density or fit.intact.density_mm4, fit
    return tuple(one for one in found if one is not None)


def _with_fillets(
    tubes: tuple[TubeSheet, ...], points: Floats, starts: dict[tuple[int, int], float], noise: float
) -> Meeting:
    meeting = Meeting(
        tuple(Sheet(tube.surface) for tube in tubes),
        spreads=tuple(tube.intact.shape.spread for tube in tubes),
    )
    return with_fillets(meeting, points, starts, noise)


def _shared_out(meeting: Meeting, points: Floats, noise: float) -> NDArray[np.int64]:
    """Sheet of each point; -2 on a fillet, -1 for what is too near to one or too far from all."""
    against = meeting.against(points)
    n = len(meeting.sheets)
    own = np.where(np.abs(against.distance) < _OFF_TIMES * noise, against.part, -1)
    fillet = (against.part >= n) & (np.abs(against.distance) < _ROUND_MM)
    if fillet.any():
        close = cKDTree(points[fillet]).query(points, distance_upper_bound=_BETWEEN_MM)[0] < _BETWEEN_MM
        own = np.where(close, -1, own)
    return np.where(fillet, -2, own)


def refitted(joined: Joined, region: Region, without: Bools) -> Joined:
    """The same tubes and fillets fitted without some of the points.

    Raises
    ------
    EvidenceError
        What is left does not determine a tube or a fillet.
    """
    owner = np.where(without, -1, joined.owner)
    return _again(joined, region, owner, joined.on_fillet & ~without, joined.tubes)


def widened(joined: Joined, region: Region, trusted: Bools) -> Joined:
    """The same tubes and fillets fitted to all points that are trusted.

    Raises
    ------
    EvidenceError
        These don't determine a tube or a fillet.
    """
    owner = np.full(len(region.points), -1, dtype=np.int64)
    points = np.flatnonzero(trusted)
    own = _shared_out(joined.meeting, region.points[points], joined.noise_mm)
    owner[points] = np.maximum(own, -1)
    on_fillet = np.zeros(len(owner), dtype=bool)
    on_fillet[points] = own == -2
    return _again(joined, region, owner, on_fillet, [None] * len(joined.tubes))


def _again(
    joined: Joined,
    region: Region,
    owner: NDArray[np.int64],
    on_fillet: Bools,
    like: Sequence[TubeSheet | None],
) -> Joined:
    """The same tubes fitted to the points of their owners, and the same fillets to theirs."""
    every = np.arange(len(region.points))
    tubes = _tubes(region, every, owner, like, joined.under_mm)
    meeting = Meeting(
        tuple(Sheet(tube.surface) for tube in tubes),
        spreads=tuple(tube.intact.shape.spread for tube in tubes),
    )
    fillets = []
    for fillet in joined.meeting.fillets:
        if fillet.typed:
            again = given_fillet(meeting, fillet.pair, fillet.radius_mm, fillet.centre_mm)
        else:
            again = fillet_again(meeting, region.points[on_fillet], fillet, joined.noise_mm)
        if again is None:
            raise EvidenceError("too little of a fillet is left to tell its radius")
        fillets.append(again)
    return Joined(
        meeting.with_fillets(tuple(fillets)), tubes, owner, joined.noise_mm, on_fillet, joined.under_mm
    )
