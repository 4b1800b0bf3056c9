"""The target's smooth surface as a net of spline points, as CAD formats hold it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline, NdBSpline

from gaploft.errors import InputError
from gaploft.surface.basis import DEGREE, TURN_RAD, periodic_knots, wrapped
from gaploft.surface.model import TubeSurface

Floats = NDArray[np.float64]
Depth = float | Callable[[Floats, Floats], Floats]

#: More spline points than this make files that CAD programs choke on: common practice, no source.
_MOST_POLES = 200_000
#: Halving spans makes a smooth depth 30 times better and a bend in it twice; a jump is never followed. So
#: often in a row it may not have helped.
_HELPS, _STUCK = 0.8, 4
#: Places at which each span is held against the surface, in each direction.
_LOOKED_AT = 4
#: So far inside a station counts as at it.
_ASIDE_MM = 1e-4


@dataclass(frozen=True)
class Net:
    """A tensor B-spline of degree 4, clamped along the tube and periodic around it.

    Attributes
    ----------
    knots_u : (n_u + 5,) along the tube
    spans_v : number of equal spans around it; the first begins at v = 0
    poles_mm : (n_u, spans_v, 3)
    error_mm : largest distance from the surface that it stands for
    """

    knots_u: Floats
    spans_v: int
    poles_mm: Floats
    error_mm: float


def depth_net(surface: TubeSurface, stations: tuple[float, float], depth: Depth, tolerance_mm: float) -> Net:
    """Carry the surface ``depth`` below a tube's outer one, between two stations, over to a spline.

    Parameters
    ----------
    surface : outer surface
    stations : where it begins and ends, mm along the tube
    depth : mm below it along its normal, or a function of (u, v) that gives them; what it gives exactly at
        the stations is not looked at, since it may jump there
    tolerance_mm : how far the spline may be off

    Raises
    ------
    InputError
        Layers that change so abruptly that no net of bearable size follows them.

    Notes
    -----
    Interpolation at the Greville abscissae in the spline space of the surface itself: for a depth of 0 it
    gives the surface back exactly, since the surface lies in that space. Otherwise spans are halved along or
    around, whichever helps more, until the spline keeps to the tolerance everywhere it is looked at.
    """
    split, stuck = (1, 1), 0
    net = _net(surface, stations, depth, split)
    while net.error_mm > tolerance_mm:
        if stuck == _STUCK or 2 * net.poles_mm.size // 3 > _MOST_POLES:
            raise InputError(
                f"the layers change too abruptly for STEP: its surface stays {net.error_mm:.4f} mm off, "
                f"at most {tolerance_mm:g} mm is allowed: let them run out more gently, or leave STEP out"
            )
        finer = [(2 * split[0], split[1]), (split[0], 2 * split[1])]
        nets = [_net(surface, stations, depth, each) for each in finer]
        best = int(np.argmin([each.error_mm for each in nets]))
        stuck = stuck + 1 if nets[best].error_mm > _HELPS * net.error_mm else 0
        split, net = finer[best], nets[best]
    return net


def _net(surface: TubeSurface, stations: tuple[float, float], depth: Depth, split: tuple[int, int]) -> Net:
    knots_u, n_v = _knots_along(surface, stations, split[0]), surface.basis.n_v * split[1]
    knots_v = periodic_knots(n_v)
    u = np.clip(np.convolve(knots_u[1:-1], np.full(DEGREE, 1.0 / DEGREE), mode="valid"), *stations)
    v = wrapped((np.arange(n_v) - 0.5 * (DEGREE - 1)) * (TURN_RAD / n_v))
    along = BSpline.design_matrix(u, knots_u, DEGREE).toarray()
    around = _periodic(v, knots_v, n_v)
    points = _below(surface, depth, u, v)
    across = np.linalg.solve(along, points.reshape(len(u), -1)).reshape(points.shape)
    poles = np.asarray(np.linalg.solve(around, across), dtype=np.float64)
    spline = NdBSpline((knots_u, knots_v), np.concatenate([poles, poles[:, :DEGREE]], axis=1), DEGREE)
    # An even number of places within each span misses the places of the interpolation.
    fine_u = np.concatenate([stations[:1], _within(np.unique(knots_u)), stations[1:]])
    fine_v = _within(np.arange(n_v + 1) * (TURN_RAD / n_v))
    uu, vv = np.meshgrid(fine_u, fine_v, indexing="ij")
    off = spline(np.stack([uu, vv], axis=-1)) - _below(surface, depth, fine_u, fine_v)
    return Net(knots_u, n_v, poles, float(np.linalg.norm(off, axis=-1).max()))


def _knots_along(surface: TubeSurface, stations: tuple[float, float], split: int) -> Floats:
    """The surface's own knots between the stations, each span cut in so many, clamped at the stations."""
    own = np.unique(surface.basis.knots_u)
    # Knots that all but fall on an end would leave a span without any length.
    near = 1e-6 * (own[-1] - own[0])
    inner = own[(own > stations[0] + near) & (own < stations[1] - near)]
    bounds = np.concatenate([[stations[0]], inner, [stations[1]]])
    places = np.arange(split * (len(bounds) - 1) + 1) / split
    fine = np.interp(places, np.arange(len(bounds)), bounds)
    return np.concatenate([np.full(DEGREE, fine[0]), fine, np.full(DEGREE, fine[-1])])


def _periodic(v: Floats, knots: Floats, n: int) -> Floats:
    """Values of the n periodic functions at v, (m, n)."""
    open_ends = BSpline.design_matrix(v, knots, DEGREE).toarray()
    closed = open_ends[:, :n].copy()
    closed[:, :DEGREE] += open_ends[:, n:]
    return np.asarray(closed)


def _below(surface: TubeSurface, depth: Depth, u: Floats, v: Floats) -> Floats:
    """Points below the surface on a grid from end to end, (n_u, n_v, 3)."""
    uu, vv = np.meshgrid(u, v, indexing="ij")
    points = surface.evaluate(uu, vv)
    if callable(depth):
        inside = np.clip(uu, u[0] + _ASIDE_MM, u[-1] - _ASIDE_MM)
        return np.asarray(points - depth(inside, vv)[..., None] * surface.normals(uu, vv))
    return points if depth == 0.0 else np.asarray(points - depth * surface.normals(uu, vv))


def _within(bounds: NDArray[np.floating]) -> Floats:
    share = (np.arange(_LOOKED_AT) + 0.5) / _LOOKED_AT
    return np.asarray((bounds[:-1, None] + share * np.diff(bounds)[:, None]).ravel())
