"""Sleeves at a depth below the outer surface, and the watertight solid between two of them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import TubeSurface
from gaploft.target.facets import chord_error
from gaploft.target.offset import Below
from gaploft.target.step_wall import plain_grid, triangles_of
from gaploft.target.steps import steps_along, steps_around

Floats = NDArray[np.float64]
Triangles = NDArray[np.int32]

#: A facetted tube misses the share (2 pi / n)^2 / 6 of its volume, a 3000th of its radius in chord error
#: misses 0.04 in 100.
_CHORD_SHARE = 3e-4
_ROUNDS = 4


@dataclass(frozen=True)
class Skin:
    """A triangle mesh.

    Attributes
    ----------
    vertices_mm : (n, 3) float64
    triangles : (k, 3) int32
    """

    vertices_mm: Floats
    triangles: Triangles

    @property
    def corners_mm(self) -> Floats:
        """Corners of each triangle, (k, 3, 3)."""
        return np.asarray(self.vertices_mm[self.triangles])

    @property
    def areas_mm2(self) -> Floats:
        """Area of each triangle, (k,)."""
        a, b, c = np.moveaxis(self.corners_mm, 1, 0)
        return np.asarray(0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1))

    @property
    def volume_mm3(self) -> float:
        """Volume of a closed mesh by the divergence theorem, positive when it is turned outward."""
        a, b, c = np.moveaxis(self.corners_mm - self.vertices_mm.mean(axis=0), 1, 0)
        return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)

    @property
    def watertight(self) -> bool:
        """Whether each edge lies in exactly two triangles, once each way."""
        ends = np.stack([self.triangles, np.roll(self.triangles, -1, axis=1)], axis=2).reshape(-1, 2)
        n = len(self.vertices_mm)
        there, back = (np.sort(ends.astype(np.int64) @ weights) for weights in ([n, 1], [1, n]))
        return bool((np.diff(there) > 0).all() and np.array_equal(there, back))


@dataclass(frozen=True)
class Sleeve:
    """Places of a tube's surface in rings: ``uv`` (n_u * n_v, 2) ring by ring, and the triangles between."""

    uv: Floats
    shape: tuple[int, int]
    triangles: Triangles


def make_sleeve(
    depths: tuple[Below, ...],
    bounds: tuple[float, ...],
    *,
    chord_tolerance_mm: float,
    step_mm: float = np.inf,
) -> Sleeve:
    """Rings with one exactly at each of the bounds, for facets that keep to a tolerance at several depths.

    Parameters
    ----------
    depths : below one surface
    bounds : parameters u, rising
    step_mm : longest edge along and around the tube
    """
    surface = depths[0].surface
    ring = surface.evaluate(np.linspace(bounds[0], bounds[-1], 9)[:, None], np.arange(48) * (TURN_RAD / 48))
    radius = float(np.linalg.norm(ring - ring.mean(axis=1, keepdims=True), axis=2).mean())
    wanted = min(chord_tolerance_mm, _CHORD_SHARE * radius)
    aim = wanted
    for _ in range(_ROUNDS):
        u, v = _rings(depths, bounds, aim)
        sleeve = _sleeve(surface, u, v)
        error = max(
            chord_error(below, below.points(*sleeve.uv.T), sleeve.triangles, sleeve.uv) for below in depths
        )
        if error <= wanted:
            break
        aim *= 0.9 * wanted / error
    closed = np.append(v, v[0] + TURN_RAD)
    middle = np.full(len(closed), (bounds[0] + bounds[-1]) / 2.0)
    around = np.linalg.norm(np.diff(surface.evaluate(middle, closed), axis=0), axis=1)
    # Shorter edges only come closer to the surface.
    return _sleeve(surface, _divided(u, np.diff(u), step_mm), _divided(closed, around, step_mm)[:-1])


def _rings(depths: tuple[Below, ...], bounds: tuple[float, ...], aim: float) -> tuple[Floats, Floats]:
    """Parameters of the rings and around them, those of the depth that asks for most."""
    v = max((steps_around(below, (bounds[0], bounds[-1]), aim) for below in depths), key=len)
    return max((steps_along(below, bounds, v, aim) for below in depths), key=len), v


def _sleeve(surface: TubeSurface, u: Floats, v: Floats) -> Sleeve:
    grid = plain_grid(u, v, surface.outward)
    return Sleeve(grid.uv, grid.shape, triangles_of(surface.evaluate(*grid.uv.T), grid.quads))


def _divided(places: Floats, lengths: Floats, step_mm: float) -> Floats:
    """Steps divided evenly until none is longer than asked."""
    parts = np.maximum(1, np.ceil(lengths / step_mm)).astype(int)
    step = np.repeat(np.arange(len(parts)), parts)
    share = (np.arange(len(step)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[step]
    return np.append(places[step] + share * np.diff(places)[step], places[-1])


def around_one_turn(corners: Floats) -> Floats:
    """Parameters of triangles' corners, (k, 3, 2), with those beyond the seam of v a turn further."""
    corners = corners.copy()
    wide = np.ptp(corners[:, :, 1], axis=1) > np.pi
    corners[wide, :, 1] += TURN_RAD * (corners[wide, :, 1] < np.pi)
    return corners


def closed_shell(outer: Floats, inner: Floats, sleeve: Sleeve, outward: int) -> Skin:
    """The solid between two sleeves of the same rings, its ends ruled along the surface's normals."""
    n_u, n_v = sleeve.shape
    n = n_u * n_v
    a = np.arange(n_v)
    b = (a + 1) % n_v
    last = (n_u - 1) * n_v
    caps = [
        np.column_stack([b, a, a + n]),
        np.column_stack([b, a + n, b + n]),
        np.column_stack([a, b, b + n]) + last,
        np.column_stack([a, b + n, a + n]) + last,
    ]
    ends = np.concatenate(caps)[:, :: 1 if outward > 0 else -1]
    triangles = np.concatenate([sleeve.triangles, sleeve.triangles[:, ::-1] + n, ends])
    return Skin(np.concatenate([outer, inner]), triangles.astype(np.int32))


def volume_between(surface: TubeSurface, corners: Floats, top: Floats, bottom: Floats) -> float:
    """Volume between two depths below a surface, mm3, over triangles in its parameters.

    Parameters
    ----------
    corners : (k, 3, 2) parameters of the triangles' corners
    top, bottom : (k, 3) depths there in mm, linear in between

    Notes
    -----
    The area at depth t is (1 - t k1)(1 - t k2) of that on the surface, with its principal curvatures (J.
    Steiner's formula), integrated over t exactly and over each triangle by the rule of its three inner points
    that is exact to second degree.
    """
    (du_1, dv_1), (du_2, dv_2) = (np.moveaxis(corners[:, k] - corners[:, 0], 1, 0) for k in (1, 2))
    size = 0.5 * np.abs(du_1 * dv_2 - dv_1 * du_2)
    total = 0.0
    for probe in ((2 / 3, 1 / 6, 1 / 6), (1 / 6, 2 / 3, 1 / 6), (1 / 6, 1 / 6, 2 / 3)):
        u, v = np.einsum("kcd,c->dk", corners, np.array(probe))
        stretch = np.linalg.norm(
            np.cross(surface.derivatives(u, v, 0, 1), surface.derivatives(u, v, 1, 0)), axis=-1
        )
        k1, k2 = np.moveaxis(surface.curvatures(u, v), -1, 0)
        thick = [t - (k1 + k2) * t**2 / 2.0 + k1 * k2 * t**3 / 3.0 for t in (top @ probe, bottom @ probe)]
        total += float((size * stretch * (thick[1] - thick[0])).sum()) / 3.0
    return total
