"""Where in a scan a fixture sphere is, from an approximate centre."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.errors import InputError

Floats = NDArray[np.float64]

#: Points are averaged over cells of this share of the radius before the search.
_CELL = 0.06
_NEIGHBOURS = 10
#: Votes within this share of the radius, in centre and in radius, speak for the same sphere.
_SAME = 0.06
#: A radius this share off from the nominal one is still looked for, so that it can be named.
_OFF = 0.25
_FEWEST_VOTES = 20
#: Radii of fixture spheres lie in between: common practice, no source.
_SMALLEST_MM, _LARGEST_MM = 1.0, 60.0


def near_sphere(vertices_mm: NDArray[np.floating], centre_mm: Floats, radius_mm: float | None) -> Floats:
    """Scan points around an approximate centre, (m, 3): wide enough to hold all of the sphere.

    Without a radius the centre is taken to lie within half a radius of the true one, so the nearest scan
    point tells the size.
    """
    if radius_mm is None:
        nearest = _nearest(vertices_mm, centre_mm)
        reach = 4.0 * max(nearest, _SMALLEST_MM) if nearest < _LARGEST_MM else 0.0
    else:
        reach = 2.2 * radius_mm
    inside = np.ones(len(vertices_mm), dtype=bool)
    for axis in range(3):
        inside &= np.abs(vertices_mm[:, axis] - centre_mm[axis]) < reach
    box = vertices_mm[inside].astype(np.float64)
    away = box - centre_mm
    return np.asarray(box[np.einsum("ij,ij->i", away, away) < reach * reach])


def _nearest(vertices: NDArray[np.floating], centre: Floats) -> float:
    square = np.zeros(len(vertices))
    for axis in range(3):
        square += (vertices[:, axis] - centre[axis]) ** 2
    return float(np.sqrt(square.min(initial=np.inf)))


def search_sphere(
    near_mm: Floats, centre_mm: Floats, radius_mm: float | None, *, name: str
) -> tuple[Floats, float]:
    """Find centre and radius of the sphere that most pairs of normals speak for.

    Parameters
    ----------
    near_mm : (n, 3) scan points around it, other walls among them
    centre_mm : approximate centre; a point on the sphere itself will do where ``radius_mm`` is given
    radius_mm : nominal radius, or None
    name : of the sphere, for the sentence

    Raises
    ------
    InputError
        No sphere stands out.

    Notes
    -----
    The normals of a sphere all meet in its centre, those of other walls don't: each pair of lines votes for
    the point where they come closest and for the distance from there, and the densest votes win, as in a
    Hough transform. Pairs are fixed by their numbers, so the same scan gives the same answer.
    """
    size = radius_mm if radius_mm is not None else 1.5 * max(_nearest(near_mm, centre_mm), _SMALLEST_MM)
    points, normals = _averaged(near_mm, _CELL * size)
    votes = _votes(points, normals, size)
    centre, radius = votes[:, :3], votes[:, 3]
    wanted = np.linalg.norm(centre - centre_mm, axis=1) < (1.1 if radius_mm is not None else 0.6) * size
    if radius_mm is not None:
        wanted &= np.abs(radius - radius_mm) < _OFF * radius_mm
    best = _densest(votes[wanted], _SAME * size)
    if best is None:
        wide = f" of radius {radius_mm:g} mm" if radius_mm is not None else ""
        raise InputError(
            f"no sphere{wide} stands out of the scan at {name}: correct its approximate centre"
            + (" or the radius" if radius_mm is not None else ", or give the radius")
        )
    return best[:3], float(best[3])


def _densest(votes: Floats, reach: float) -> Floats | None:
    """Mean of the votes where they lie densest, (4,); none where nowhere enough of them agree."""
    best, most = None, _FEWEST_VOTES - 1
    for shift in (0.0, 0.5):
        cells, count = np.unique(np.floor(votes / reach + shift), axis=0, return_counts=True)
        if count.max(initial=0) > most:
            best, most = (cells[np.argmax(count)] + 0.5 - shift) * reach, int(count.max())
    if best is not None:
        for _ in range(3):
            away = np.linalg.norm(votes - best, axis=1)
            best = np.median(votes[away < max(1.5 * reach, float(away.min()))], axis=0)
    return best


def _averaged(near: Floats, cell: float) -> tuple[Floats, Floats]:
    """Means over cells and the normals of planes through their neighbours, (k, 3) each."""
    _, group = np.unique(np.floor(near / cell).astype(np.int64), axis=0, return_inverse=True)
    group = group.ravel()
    count = np.bincount(group)
    points = np.column_stack([np.bincount(group, weights=near[:, axis]) / count for axis in range(3)])
    if len(points) < _NEIGHBOURS:
        return np.zeros((0, 3)), np.zeros((0, 3))
    neighbours = points[cKDTree(points).query(points, k=_NEIGHBOURS)[1]]
    spread = neighbours - neighbours.mean(axis=1, keepdims=True)
    return points, np.linalg.eigh(spread.transpose(0, 2, 1) @ spread)[1][:, :, 0]


def _votes(points: Floats, normals: Floats, size: float) -> Floats:
    """Centre and radius of the spheres through two points with their normals, (m, 4)."""
    n = len(points)
    pairs = [(np.arange(n), np.roll(np.arange(n), shift)) for shift in range(1, n, max(1, n // 24))]
    if not pairs:
        return np.zeros((0, 4))
    first, second = (np.concatenate(side) for side in zip(*pairs, strict=True))
    apart = points[second] - points[first]
    a, b = normals[first], normals[second]
    cosine = np.einsum("ij,ij->i", a, b)
    along_a, along_b = np.einsum("ij,ij->i", a, apart), np.einsum("ij,ij->i", b, apart)
    square = 1.0 - cosine**2
    # Lines that are nearly parallel meet anywhere.
    crossing = square > 0.1
    square = np.where(crossing, square, 1.0)
    at_a, at_b = (along_a - cosine * along_b) / square, (cosine * along_a - along_b) / square
    meet_a, meet_b = points[first] + at_a[:, None] * a, points[second] + at_b[:, None] * b
    miss = np.linalg.norm(meet_a - meet_b, axis=1)
    alike = np.abs(np.abs(at_a) - np.abs(at_b))
    good = crossing & (miss < _SAME * size) & (alike < _SAME * size)
    radius = 0.5 * (np.abs(at_a) + np.abs(at_b))
    return np.column_stack([0.5 * (meet_a + meet_b), radius])[good]
