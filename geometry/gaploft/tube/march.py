"""Growing the tube from its first ring along a flank, and knowing where to stop."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gaploft.tube.ring import Ring, bin_of, binned_outline, carried, outline_centre, polar
from gaploft.tube.seed import Nearby

StopReason = Literal["far enough", "end of the scan", "closed end", "junction"]

#: How far a point may lie from the outline expected of its ring: share of the radius, at least so many mm.
_OUTLINE_SHARE, _OUTLINE_MM = 0.12, 0.6
#: A flank ends where so many rings in a row are lost.
_LOST_RINGS = 3
#: Part of a normal along the tube beyond which the surface counts as turning away, some 27 degrees, and
#: as standing across it, some 45; and the share of a ring's points that has to.
_LEANING, _ACROSS, _TURNED_SHARE = 0.45, 0.7, 0.15
#: So much of a ring is still seen beside a hole in the scan.
_HOLED_SHARE = 0.3


@dataclass(frozen=True)
class Flank:
    """Rings of one flank, outward from the gap, and why they end where they do.

    ``points`` are the indices of the scan points that lie on the tube, in no order.
    """

    rings: tuple[Ring, ...]
    points: NDArray[np.int64]
    stopped_by: StopReason

    @property
    def centres(self) -> NDArray[np.float64]:
        """Ring centres, (n, 3) mm."""
        return np.array([ring.centre for ring in self.rings])


@dataclass(frozen=True)
class _Look:
    """What one slab of scan shows around the place where the next ring should be.

    ``tilted`` is the share of points whose normals lean back (the tube flares out into something) less
    the share whose normals lean forward (it closes in on itself). ``n_across`` points inside the
    outline belong to a wall that stands across the tube, ``n_beside`` lie close outside it.
    """

    ring: Ring
    own: NDArray[np.int64]
    tilted: float
    n_across: int
    n_beside: int


class _Slabs:
    """Scan points sorted along one axis, so that a slab is a search and not a pass over the scan."""

    def __init__(self, near: Nearby, direction: NDArray[np.float64]) -> None:
        self.near = near
        self.axis = int(np.argmax(np.abs(direction)))
        self.order = np.argsort(near.points[:, self.axis], kind="stable")
        self.keys = near.points[self.order, self.axis]

    def around(self, centre: NDArray[np.float64], reach: float) -> NDArray[np.int64]:
        """Indices of the points whose coordinate on the axis is within ``reach`` of the centre's."""
        low, high = np.searchsorted(self.keys, [centre[self.axis] - reach, centre[self.axis] + reach])
        return self.order[low:high]


def _look(slabs: _Slabs, ring: Ring, step: float) -> _Look:
    """What lies one step on from a ring."""
    centre = ring.centre + step * ring.direction
    leaning = float(np.sqrt(max(0.0, 1.0 - ring.direction[slabs.axis] ** 2)))
    subset = slabs.around(centre, 0.5 * step + 1.3 * leaning * float(ring.outline_mm.max()))
    along = (slabs.near.points[subset] - centre) @ ring.direction
    subset = subset[np.abs(along) <= 0.5 * step]
    _, r, angle = polar(slabs.near.points[subset], centre, ring.direction, ring.across)
    second = np.cross(ring.direction, ring.across)
    normals = slabs.near.normals[subset]
    facing = np.cos(angle) * (normals @ ring.across) + np.sin(angle) * (normals @ second)
    expected = ring.outline_mm[bin_of(angle)]
    own = (facing > 0.3) & (np.abs(r - expected) < np.maximum(_OUTLINE_SHARE * expected, _OUTLINE_MM))
    outline, covered = binned_outline(angle[own], r[own], ring.outline_mm)
    lean = normals[own] @ ring.direction
    tilted = float((lean < -_LEANING).mean() - (lean > _LEANING).mean()) if own.any() else 0.0
    shift = outline_centre(outline, ring.direction, ring.across)
    found = Ring(centre + shift, ring.direction, ring.across, outline, covered)
    across = (r < expected) & (normals @ ring.direction > _ACROSS)
    beside = ~own & (r > expected) & (r < 2.0 * expected)
    return _Look(found, subset[own], tilted, int(across.sum()), int(beside.sum()))


def march(near: Nearby, first: Ring, *, length_mm: float, patience_mm: float = 0.0) -> Flank:
    """Grow rings outward from the first along its direction.

    A ring counts as lost when a share of the outline that was seen before vanishes, jumps or leans
    steeply; the flank ends where that lasts for three rings in a row. The reason tells an open end
    (nothing more there), a closed end (the surface leans in on itself) and a junction apart. A hole in
    the scan, with some of the ring still there and nothing beside it, is passed if no longer than
    ``patience_mm``.
    """
    step = _step(near, first)
    slabs = _Slabs(near, first.direction)
    here = _look(slabs, replace(first, centre=first.centre - step * first.direction), step)
    rings, points, coverage = [first], [here.own], float(first.covered.mean())
    pending: list[_Look] = []
    reason: StopReason = "far enough"
    ring = first
    for _ in range(int(length_mm / step)):
        look = _look(slabs, ring, step)
        share = float(look.ring.covered.mean())
        leaning = abs(look.tilted) > _TURNED_SHARE
        pending.append(look)
        if leaning or share < max(0.85 * coverage, 0.4):
            reason = "closed end" if _closes(pending, len(here.own)) else "junction"
            if len(pending) >= _LOST_RINGS and (
                len(pending) * step > patience_mm or not all(_beside_hole(lost) for lost in pending)
            ):
                break
        else:
            rings += [seen.ring for seen in pending]
            points += [seen.own for seen in pending]
            pending, reason = [], "far enough"
            coverage = max(0.98 * coverage, share)
        ring = _steered(look.ring, [*rings, *(seen.ring for seen in pending)], step)
    if reason == "junction" and _nothing_beyond(slabs, rings[-1]):
        reason = "end of the scan"
    return Flank(tuple(rings), np.concatenate(points), reason)


def _closes(lost: Sequence[_Look], n_ring: int) -> bool:
    """Whether the surface leans in on itself, or a wall stands across it, where rings were lost."""
    turned = any(look.tilted < -_TURNED_SHARE for look in lost)
    return turned or sum(look.n_across for look in lost) > 0.5 * n_ring


def _beside_hole(lost: _Look) -> bool:
    """Whether a ring was lost to a hole in the scan alone."""
    seen = lost.ring.covered.mean() > _HOLED_SHARE and abs(lost.tilted) <= _TURNED_SHARE
    return bool(seen and lost.n_beside < 0.05 * len(lost.own))


def march_back(near: Nearby, first: Ring, *, length_mm: float) -> NDArray[np.int64]:
    """Points of the tube from its first ring back towards the gap; damage on the way stops nothing."""
    step = _step(near, first)
    ring = replace(
        first, direction=-first.direction, outline_mm=first.outline_mm[::-1], covered=first.covered[::-1]
    )
    slabs = _Slabs(near, ring.direction)
    points = [np.empty(0, dtype=np.int64)]
    for _ in range(int(np.ceil(length_mm / step))):
        look = _look(slabs, ring, step)
        points.append(look.own)
        ring = replace(ring, centre=ring.centre + step * ring.direction)
    return np.concatenate(points)


def _step(near: Nearby, ring: Ring) -> float:
    """Distance between rings: fine enough for a bend, wide enough that each ring's slab is well filled."""
    return max(float(np.clip(0.12 * ring.radius_mm, 1.0, 4.0)), 3.0 * near.edge_mm)


def _steered(ring: Ring, history: Sequence[Ring], step: float) -> Ring:
    """The ring with its direction taken from the track of centres over the last radius and a half.

    The chord lags half its length behind a bend; that is small against the outline's tolerance.
    """
    n_back = max(3, round(1.5 * ring.radius_mm / step))
    track = np.array([old.centre for old in history[-n_back:]])
    if len(track) < max(3, n_back // 2):
        return ring
    direction = np.linalg.svd(track - track.mean(axis=0), full_matrices=False)[2][0]
    direction *= np.sign(direction @ ring.direction)
    return replace(ring, direction=direction, across=carried(ring.across, direction))


def _nothing_beyond(slabs: _Slabs, ring: Ring) -> bool:
    """True when next to no scan lies within half a radius in front of the ring."""
    subset = slabs.around(ring.centre, 3.0 * ring.radius_mm)
    along, r, _ = polar(slabs.near.points[subset], ring.centre, ring.direction, ring.across)
    close = r < 2.0 * ring.radius_mm
    ahead = close & (along > 0.2 * ring.radius_mm) & (along < 0.7 * ring.radius_mm)
    behind = close & (along < 0.0) & (along > -0.5 * ring.radius_mm)
    return bool(ahead.sum() < 0.2 * behind.sum())
