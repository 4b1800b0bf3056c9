"""Which way is better: the rule, and how far the ways are apart."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from gaploft.donor.laid import Ground
from gaploft.job_sources import WAYS, WayName
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import TubeSurface
from gaploft.ways.model import Compared, Difference, Way

Floats = NDArray[np.float64]

#: Figures closer than this are equal: less than a scan shows, mm.
EQUAL_MM = 0.003
#: Of two that are equal, the one that saw the shape is taken before the one that bridged it.
PREFERRED: tuple[WayName, ...] = ("donor", "mirror", "shelf", "loft")
_VERDICTS = ("ready", "check")
_STATIONS, _AROUND = 60, 72


def rule_of_ways() -> str:
    """The rule in words, as report and README state it."""
    return (
        "A way that is refused is out, and so is the loft where it lies further from a way that saw the "
        "shape than both their bands together are wide. Ready goes before check. Then the smaller figure "
        "wins, the larger of the blank test's 95 % error and the median of the 95 % band; where two are "
        f"within {EQUAL_MM:.3f} mm of each other, the spare section goes before the opposite side, that "
        "before the shelf, and that before the loft, since they saw the shape that the loft bridges."
    )


def figure_mm(way: Way) -> float:
    """The figure that ways are compared by."""
    assert way.judged is not None
    evidence = way.judged.evidence
    return max(evidence.blank_test.p95_mm, evidence.band95_mm.median)


def recommended(ways: Sequence[Way]) -> WayName | None:
    """The way that :func:`rule_of_ways` recommends; None where all are refused."""
    usable = [way for way in ways if way.usable]
    seen = [way for way in usable if way.name != "loft"]
    if any(_clash(way, loft) for way in seen for loft in usable if loft.name == "loft"):
        usable = seen
    for verdict in _VERDICTS:
        left = [way for way in usable if way.verdict == verdict]
        if left:
            least = min(figure_mm(way) for way in left)
            equal = {way.name for way in left if figure_mm(way) <= least + EQUAL_MM}
            return next(name for name in PREFERRED if name in equal)
    return None


def _clash(way: Way, loft: Way) -> bool:
    """Whether a loft is further from a way that saw the shape than both can be in doubt."""
    assert way.judged is not None
    assert loft.judged is not None
    doubt = way.judged.evidence.band95_mm.max + loft.judged.evidence.band95_mm.max
    return difference(way, loft).max_mm > doubt


def compared(ways: Sequence[Way], chosen: str) -> Compared:
    """All ways side by side, with the one that is used: the chosen one, or for "best" the recommended."""
    best = recommended(ways)
    used: WayName = next((name for name in WAYS if name == chosen), best or ways[0].name)
    ordered = sorted((way for way in ways if way.usable), key=lambda way: way.name != used)
    differences = tuple(difference(first, second) for first, second in combinations(ordered, 2))
    return Compared(tuple(ways), used, best, differences)


def difference(first: Way, second: Way) -> Difference:
    """How far the second way's surface lies above the first one's over the damage."""
    assert first.fitted is not None
    assert second.fitted is not None
    fit, other = first.fitted.fit, second.fitted.fit
    at = np.linspace(*fit.rebuilt_mm, _STATIONS)
    uu, vv = np.meshgrid(at, np.arange(_AROUND) * (TURN_RAD / _AROUND), indexing="ij")
    off = heights_of(other.surface, fit.surface, uu, vv)
    distance, rim = fit.outline.distance(uu, vv)
    within = off[distance < np.array(fit.margins_mm)[rim]]
    return Difference(
        first.name,
        second.name,
        at,
        off,
        float(np.abs(within).max(initial=0.0)),
        float(np.sqrt(np.mean(within**2))) if len(within) else 0.0,
    )


def heights_of(surface: TubeSurface, above: TubeSurface, u: Floats, v: Floats) -> Floats:
    """Where one surface lies above places (u, v) of another, along its normals, mm; two that lie close."""
    points, normals = above.evaluate(u, v), above.normals(u, v)
    near = Ground(surface, 1.0)
    height: Floats = np.zeros(u.shape)
    at = None
    for _ in range(3):
        there = (points + height[..., None] * normals).reshape(-1, 3)
        feet = near.feet(there, at)
        at = (feet.u, feet.v)
        height = height - (feet.distance_mm / (feet.normals * normals.reshape(-1, 3)).sum(1)).reshape(u.shape)
    return height
