"""How deep layers can go below a surface before they meet: tight bends and thin sections."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import TubeSurface

Floats = NDArray[np.float64]

_PASSES = 12
#: Samples of the surface lie at most so far apart, mm; what they stop is refined on the surface itself.
_SAMPLE_MM = 0.7
_MOST_AROUND = 2000


@dataclass(frozen=True)
class Room:
    """The ball that fits under each of n places of a surface, touching it there.

    Attributes
    ----------
    radius_mm : (n,) its largest radius, at most what was asked for: layers of this depth just meet
    bends : (n,) bool, the surface's own bend stops it there; else another part of the tube does
    """

    radius_mm: Floats
    bends: NDArray[np.bool_]


def room_below(surface: TubeSurface, u: Floats, v: Floats, *, most_mm: float) -> Room:
    """Largest ball that touches the surface from inside at each place and meets no other part of it.

    Parameters
    ----------
    u, v : (n,) places
    most_mm : > 0, no ball is made larger

    Notes
    -----
    Points ``S - t n`` with t below this radius are nearest to their own place alone, so that a surface within
    it neither folds nor meets itself (the reach of Federer, "Curvature measures", Trans. Amer. Math. Soc. 93,
    1959; cited from memory). The bend stops the ball at the smallest radius of curvature. For
    the rest, it shrinks until no sample of the surface lies in it: through a point q it has the radius
    ``|p - q|^2 / (2 n.(p - q))`` (Ma, Bae and Choi, "3D medial axis point approximation using nearest
    neighbors and the normal field", The Visual Computer 28, 2012; cited from memory).
    """
    bend = surface.curvatures(u, v)[..., 0]
    by_bend = np.where(bend * most_mm > 1.0, 1.0 / np.maximum(bend, 1e-300), most_mm)
    radius = by_bend.copy()
    tree, places = _samples(surface, float(u.min()) - most_mm, float(u.max()) + most_mm)
    points, normals = surface.evaluate(u, v), surface.normals(u, v)
    active = np.arange(len(u))
    for _ in range(_PASSES):
        centres = points[active] - radius[active, None] * normals[active]
        away, nearest = tree.query(centres)
        met = away < radius[active] * (1.0 + 1e-6) + 0.1 * _SAMPLE_MM
        active, centres, nearest = active[met], centres[met], nearest[met]
        if not len(active):
            break
        feet = surface.project(centres, *places[nearest].T, steps=4)
        gap = points[active] - surface.evaluate(feet.u, feet.v)
        inward, squared = (gap * normals[active]).sum(-1), (gap**2).sum(-1)
        # Nearer than this it is the place itself that was found, and its bend has been counted.
        other = (squared > (0.05 * radius[active]) ** 2) & (inward > 0.0)
        smaller = np.where(other, squared / (2.0 * np.where(other, inward, 1.0)), np.inf)
        shrunk = smaller < radius[active] * (1.0 - 1e-7)
        radius[active[shrunk]] = smaller[shrunk]
        active = active[shrunk]
    return Room(radius, (by_bend < most_mm) & (radius > 0.98 * by_bend))


def _samples(surface: TubeSurface, start: float, stop: float) -> tuple[cKDTree, Floats]:
    """Points all over a stretch of the surface, and their parameters."""
    first, last = surface.range_u
    start, stop = max(first, start), min(last, stop)
    v = np.arange(720) * (TURN_RAD / 720)
    around = np.linalg.norm(surface.derivatives((start + stop) / 2.0, v, 0, 1), axis=-1).max() * TURN_RAD
    n_v = int(np.clip(np.ceil(around / _SAMPLE_MM), 90, _MOST_AROUND))
    n_u = max(2, int(np.ceil((stop - start) / _SAMPLE_MM)) + 1)
    u, v = np.meshgrid(np.linspace(start, stop, n_u), np.arange(n_v) * (TURN_RAD / n_v), indexing="ij")
    return cKDTree(surface.evaluate(u, v).reshape(-1, 3)), np.column_stack([u.ravel(), v.ravel()])
