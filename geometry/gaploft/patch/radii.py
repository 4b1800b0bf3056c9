"""Radii of fillets, told from the scan that shows them."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.patch.meeting import Fillet, Meeting
from gaploft.patch.rolling import Kind, make_track, near_both
from gaploft.patch.sheet import EDGE_STEP_MM, Edge, Sheet, find_edge

Floats = NDArray[np.float64]

_ROUNDS, _REFIT_ROUNDS, _FEWEST = 7, 2, 30
#: A radius on its way changes by these shares at most, and ends within these mm.
_LEAST_STEP, _LARGEST_STEP = 0.7, 1.5
_LEAST_MM, _LARGEST_MM = 0.5, 60.0
#: Noise goes together over some points, the errors of the sheets over some mm: a mean is less certain than
#: that of as many points by the root of ``_Hollow.together``.
_NOISE_TOGETHER, _SHEETS_TOGETHER_MM = 4.0, 10.0
#: A radius changes along its fillet when that explains this many variances: three numbers more, each worth
#: the logarithm of some hundred observations (G. Schwarz, "Estimating the dimension of a model", Annals of
#: Statistics 6(2), 1978; cited from memory).
_WORTH = 15.0
#: A fillet that is less likely than this is none of the rivals.
_LEAST_ODDS = 0.01
_KINDS: tuple[Kind, ...] = ("ball", "disc")
#: A radius that was typed is known to this share of it (common practice, no source).
_TYPED_SHARE = 0.02
#: Points beside the arc itself, by growth, say little of a radius.
_LEAST_GROWTH = 0.02


@dataclass(frozen=True)
class _Hollow:
    """Two sheets, their edge, and the points that may lie on the fillet between them.

    ``together`` is the variance of what is told from the points over what it were with independent errors.
    """

    sheets: tuple[Sheet, Sheet]
    edge: Edge
    points: Floats
    noise_mm: float
    together: float = _NOISE_TOGETHER

    @property
    def price(self) -> float:
        """What a radius that changes has to explain, mm^2."""
        return _WORTH * self.together * self.noise_mm**2

    def radii(self, fillet: "_Told") -> Floats:
        """Radius at each place of the edge."""
        r = fillet.radius_mm + (self.edge.points - self.points.mean(axis=0)) @ fillet.slope
        low, high = max(_LEAST_MM, 0.5 * fillet.radius_mm), min(_LARGEST_MM, 2.0 * fillet.radius_mm)
        return np.clip(r, low, high)


@dataclass(frozen=True)
class _Told:
    """What is known of a radius on the way."""

    radius_mm: float
    slope: Floats
    kind: Kind
    spread_mm: float = 0.0
    rest: float = np.inf


def with_fillets(
    meeting: Meeting, points: Floats, starts: Mapping[tuple[int, int], float], noise_mm: float
) -> Meeting:
    """The sheets with the fillets that the scan shows; pairs without one are left sharp.

    Parameters
    ----------
    points : (n, 3) scan points on or near fillets
    starts : radius to start from for each pair of sheets
    """
    found = []
    for pair, start in starts.items():
        hollow = _hollow(meeting, points, pair, start, noise_mm)
        if hollow is not None:
            found.append(
                _chosen(hollow, pair, [one for kind in _KINDS for one in _both_told(hollow, start, kind)])
            )
    return meeting.with_fillets(tuple(fillet for fillet in found if fillet is not None))


def fillet_again(meeting: Meeting, points: Floats, fillet: Fillet, noise_mm: float) -> Fillet | None:
    """A fillet and its rivals, their radii told from other points; None where too few are on it."""
    hollow = _hollow(meeting, points, fillet.pair, fillet.radius_mm, noise_mm)
    if hollow is None:
        return None
    tried = [_again(hollow, one) for one in (fillet, *fillet.rivals)]
    return _chosen(hollow, fillet.pair, [one for one in tried if one is not None])


def _again(hollow: _Hollow, fillet: Fillet) -> _Told | None:
    kind: Kind = "ball" if fillet.kind == "ball" else "disc"
    shift = float((hollow.points.mean(axis=0) - fillet.centre_mm) @ fillet.slope)
    told: _Told | None = _Told(fillet.radius_mm + shift, fillet.slope, kind)
    sloped = bool(np.any(fillet.slope))
    for _ in range(_REFIT_ROUNDS):
        told = None if told is None else _closer(hollow, told, sloped=sloped)
    return None if told is None else replace(told, rest=told.rest + sloped * hollow.price)


def _chosen(hollow: _Hollow, pair: tuple[int, int], tried: list[_Told]) -> Fillet | None:
    """The likeliest fillet, and those that the scan does not rule out against it."""
    if not tried:
        return None
    tried = sorted(tried, key=lambda one: one.rest)
    unit = 2.0 * hollow.together * max(hollow.noise_mm, 1e-9) ** 2
    odds = np.exp([(tried[0].rest - one.rest) / unit for one in tried])
    odds /= odds.sum()
    made = [_made(hollow, pair, one) for one in tried]
    kept = [
        replace(one, odds=float(share))
        for one, share in zip(made, odds, strict=True)
        if one is not None and share > _LEAST_ODDS
    ]
    return replace(kept[0], rivals=tuple(kept[1:])) if kept else None


def given_fillet(meeting: Meeting, pair: tuple[int, int], radius_mm: float, near: Floats) -> Fillet | None:
    """A fillet of a radius that was typed; None where the sheets don't meet near a place (3,)."""
    sheets = meeting.sheets[pair[0]], meeting.sheets[pair[1]]
    edge = find_edge(*sheets, near)
    if edge is None:
        return None
    hollow = _Hollow(sheets, edge, near[None, :], 0.0)
    told = [_Told(radius_mm, np.zeros(3), kind, _TYPED_SHARE * radius_mm, 0.0) for kind in _KINDS]
    made = _chosen(hollow, pair, told)
    return None if made is None else replace(made, typed=True)


def _hollow(
    meeting: Meeting, points: Floats, pair: tuple[int, int], radius: float, noise: float
) -> _Hollow | None:
    sheets = meeting.sheets[pair[0]], meeting.sheets[pair[1]]
    feet = sheets[0].feet(points), sheets[1].feet(points)
    close = near_both(*feet, radius)
    if close.sum() < _FEWEST:
        return None
    points = points[close]
    edge = find_edge(*sheets, points.mean(axis=0))
    if edge is None:
        return None
    seen_mm = EDGE_STEP_MM * len(np.unique(cKDTree(edge.points).query(points)[1]))
    variance = sum(
        float(np.mean(meeting.spreads[k](foot.u[close], foot.v[close]) ** 2))
        for k, foot in zip(pair, feet, strict=True)
        if meeting.spreads
    )
    beside = len(points) * min(1.0, _SHEETS_TOGETHER_MM / seen_mm)
    together = _NOISE_TOGETHER + beside * variance / max(noise, 1e-9) ** 2
    return _Hollow(sheets, edge, points, noise, together)


def _both_told(hollow: _Hollow, start: float, kind: Kind) -> list[_Told]:
    """One radius all along, and one that changes evenly, which has to be worth it."""
    even: _Told | None = _Told(start, np.zeros(3), kind)
    for _ in range(_ROUNDS):
        even = None if even is None else _closer(hollow, even, sloped=False)
    sloped = even
    for _ in range(_ROUNDS // 2):
        sloped = None if sloped is None else _closer(hollow, sloped, sloped=True)
    found = [] if even is None else [even]
    return found + ([] if sloped is None else [replace(sloped, rest=sloped.rest + hollow.price)])


def _closer(hollow: _Hollow, told: _Told, *, sloped: bool) -> _Told | None:
    """One Gauss-Newton step with Tukey's weights; None where too few points are on the fillet."""
    track = make_track(hollow.sheets, hollow.edge, hollow.radii(told), told.kind)
    if track is None:
        return None
    arc = track.against(hollow.points)
    inside = arc.inside & (np.abs(arc.growth) > _LEAST_GROWTH)
    if inside.sum() < _FEWEST:
        return None
    residual, growth = arc.distance[inside], arc.growth[inside]
    scale = max(hollow.noise_mm, 1.4826 * float(np.median(np.abs(residual))))
    width = max(4.685 * scale, 1e-4)
    weight = np.maximum(1.0 - (residual / width) ** 2, 0.0) ** 2
    off = hollow.points[inside] - hollow.points.mean(axis=0)
    across = np.column_stack([np.ones(len(off)), off]) if sloped else np.ones((len(off), 1))
    columns = growth[:, None] * across
    square = (columns * weight[:, None]).T @ columns
    size = float(np.ptp(off, axis=0).max())
    ridge = np.diag([1e-9, *[1e-4 * square[0, 0] * size**2] * (columns.shape[1] - 1)])
    change = np.linalg.solve(square + ridge, columns.T @ (weight * residual))
    old = told.radius_mm
    radius = float(np.clip(old + change[0], _LEAST_STEP * old, _LARGEST_STEP * old))
    variance = np.linalg.inv(square + ridge)[0, 0] * hollow.together * hollow.noise_mm**2
    spread = float(np.sqrt(variance))
    rest = float(np.minimum(residual**2, width**2).sum() * len(hollow.points) / len(residual))
    return _Told(radius, told.slope + change[1:] if sloped else told.slope, told.kind, spread, rest)


def _made(hollow: _Hollow, pair: tuple[int, int], told: _Told) -> Fillet | None:
    track = make_track(hollow.sheets, hollow.edge, hollow.radii(told), told.kind)
    if track is None:
        return None
    middle = hollow.points.mean(axis=0)
    return Fillet(pair, told.radius_mm, middle, told.slope, track, told.spread_mm, told.kind)
