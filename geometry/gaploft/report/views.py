"""Views of a surface from far away, as grids of what is seen: what stands in front hides what is behind."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.target.lay import Lay, lay_of

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

#: A row of three views is so many pixels wide: about those of the paper that it is printed on.
_PIXELS = 760
#: Triangles are sampled at this share of a pixel, so that none is missed.
_FINE = 0.5
#: Where more of the area than this faces none of three sides, the other three are drawn, too.
_HIDDEN_SHARE = 0.01
#: Neighbouring pixels this many pixels apart in depth do not lie beside each other on the surface.
_STEP_PIXELS = 6.0
#: Where the eye is: the ways to the right and up on paper, the way towards it and its sign, and its words.
_EYES = (
    (0, 1, 2, 1.0, "from above"),
    (0, 2, 1, -1.0, "from the side"),
    (1, 2, 0, 1.0, "from the end"),
    (0, 1, 2, -1.0, "from below"),
    (0, 2, 1, 1.0, "from the other side"),
    (1, 2, 0, -1.0, "from the other end"),
)
WAYS = ("along", "across", "up")


@dataclass(frozen=True)
class View:
    """One view on a grid of square pixels.

    Attributes
    ----------
    title : from where the surface is seen
    right, up : which of ``WAYS`` run to the right and up on paper
    mirrored : values of ``right`` fall to the right
    extent_mm : (left, right, low, high) of the grid along these ways
    corners : (rows, columns, 3) vertices of the triangle that is seen in each pixel; -1 for none
    weights : (rows, columns, 3) how much each of them counts there
    depth_mm : (rows, columns) towards the eye, NaN for none
    """

    title: str
    right: int
    up: int
    mirrored: bool
    extent_mm: tuple[float, float, float, float]
    corners: Indices
    weights: Floats
    depth_mm: Floats

    @property
    def covered(self) -> NDArray[np.bool_]:
        """Pixels in which the surface is seen."""
        return self.corners[..., 0] >= 0

    def shown(self, values: NDArray[np.generic]) -> Floats:
        """Values at the vertices, (n,), in each pixel, whichever side is seen; NaN where there is none."""
        mixed = (values[self.corners].astype(np.float64) * self.weights).sum(axis=2)
        return np.where(self.covered, mixed, np.nan)

    def nearest(self, values: NDArray[np.generic]) -> Floats:
        """The same for values that can't be mixed: those of the nearest corner."""
        closest = np.take_along_axis(self.corners, self.weights.argmax(axis=2)[..., None], axis=2)[..., 0]
        return np.where(self.covered, values[closest].astype(np.float64), np.nan)

    @cached_property
    def edges(self) -> NDArray[np.bool_]:
        """Pixels beside others that do not lie beside them on the surface: no line goes through there."""
        step = _STEP_PIXELS * (self.extent_mm[1] - self.extent_mm[0]) / self.corners.shape[1]
        found = np.zeros(self.covered.shape, dtype=bool)
        for axis in (0, 1):
            apart = np.abs(np.diff(self.depth_mm, axis=axis)) > step
            before, after = ((slice(None),) * axis + (part,) for part in (slice(None, -1), slice(1, None)))
            found[before] |= apart
            found[after] |= apart
        return found


@dataclass(frozen=True)
class Views:
    """All views of one surface at one scale, three or six, and the directions that they are named by."""

    lay: Lay
    views: tuple[View, ...]


def views_of(vertices_mm: ArrayLike, triangles: ArrayLike) -> Views:
    """See a surface from where its outside faces and from two sides, (n, 3) mm and (k, 3).

    Where these three do not show all of it, as all round a tube, the opposite three are added.
    """
    points, faces = np.asarray(vertices_mm, dtype=np.float64), np.asarray(triangles, dtype=np.intp)
    lay = lay_of(points, faces)
    placed = lay.placed(points)
    corner = placed[faces]
    normals = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    length, width, _ = np.maximum(lay.spans_mm, 1e-3 * lay.spans_mm.max())
    pixel = float(2.0 * length + width) / _PIXELS
    size = np.linalg.norm(normals, axis=1)
    hidden = np.ones(len(faces), dtype=bool)
    for _, _, toward, sign, _ in _EYES[:3]:
        hidden &= sign * normals[:, toward] <= 0.0
    eyes = _EYES if size[hidden].sum() > _HIDDEN_SHARE * size.sum() else _EYES[:3]
    return Views(lay, tuple(_view(placed, faces, eye, pixel) for eye in eyes))


def _view(placed: Floats, faces: Indices, eye: tuple[int, int, int, float, str], pixel: float) -> View:
    right, up, toward, sign, title = eye
    low = np.array([placed[:, way].min() for way in (right, up)]) - pixel
    high = np.array([placed[:, way].max() for way in (right, up)]) + pixel
    columns, rows = (int(n) for n in np.ceil((high - low) / pixel))
    flat = (placed[:, [right, up]] - low) / pixel
    number, weights = _samples(flat, faces)
    place = np.einsum("ij,ijk->ik", weights, flat[faces[number]])
    column, row = (np.clip(place[:, k].astype(np.intp), 0, n - 1) for k, n in enumerate((columns, rows)))
    depth = sign * np.einsum("ij,ij->i", weights, placed[faces[number], toward])
    # The sample nearest to the eye comes last in its pixel; of equal ones that of the last triangle.
    pixels = row * columns + column
    order = np.lexsort((number, depth, pixels))
    seen = order[np.append(np.flatnonzero(np.diff(pixels[order])), len(order) - 1)]
    corners = np.full((rows * columns, 3), -1, dtype=np.intp)
    counts, depths = np.zeros((rows * columns, 3)), np.full(rows * columns, np.nan)
    at = pixels[seen]
    corners[at], counts[at], depths[at] = faces[number[seen]], weights[seen], depth[seen]
    mirrored = sign * np.linalg.det(np.eye(3)[[right, up, toward]]) < 0.0
    extent = (float(low[0]), float(low[0] + columns * pixel), float(low[1]), float(low[1] + rows * pixel))
    shape = (rows, columns)
    return View(
        title=title,
        right=right,
        up=up,
        mirrored=bool(mirrored),
        extent_mm=extent,
        corners=corners.reshape(*shape, 3),
        weights=counts.reshape(*shape, 3),
        depth_mm=depths.reshape(shape),
    )


def _samples(flat: Floats, faces: Indices) -> tuple[Indices, Floats]:
    """Places on triangles, half a pixel apart at most: the triangle of each, and barycentric weights."""
    corner = flat[faces]
    edges = np.linalg.norm(corner - np.roll(corner, -1, axis=1), axis=2)
    steps = np.maximum(1, np.ceil(edges.max(axis=1) / _FINE)).astype(np.intp)
    numbers, weights = [], []
    for n in np.unique(steps).tolist():
        i, j = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
        i, j = i[i + j <= n], j[i + j <= n]
        lattice = np.column_stack([i, j, n - i - j]) / n
        which = np.flatnonzero(steps == n)
        numbers.append(np.repeat(which, len(lattice)))
        weights.append(np.tile(lattice, (len(which), 1)))
    return np.concatenate(numbers), np.concatenate(weights)
