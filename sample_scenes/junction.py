"""Join tubes into one outer skin: a main tube, and others that end on it with a small fillet.

No part of a tube that lies inside another is made at all, as a scanner would see it: the main tube
is open under every branch, and both meshes share the vertices along the edge.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from frame_tubes import ArcTube, ClosedForm
from irregular import Faces, Floats, periodic_delaunay, scattered, unrolled_triangles


@dataclass(frozen=True)
class Skin:
    """An intact mesh of several tubes, numbered by ``part``; ``along_mm``, ``around`` are each tube's own."""

    points: Floats
    faces: Faces
    part: NDArray[np.int64]
    along_mm: Floats
    around: Floats


def branch(
    tube: ArcTube, main: ArcTube, *, fillet_mm: float, edge_mm: float, rng: np.random.Generator
) -> tuple[Floats, Faces, NDArray[np.int64], Floats, Floats]:
    """Mesh a tube that starts on the axis of ``main``, from the surface of ``main`` outwards.

    Returns points, faces, the ring of vertices that lies on ``main``, and the points' ``along_mm`` and
    ``around``. The fillet is a parabola, tangent to both surfaces.
    """
    fillet_length = 1.6 * fillet_mm
    turns = np.linspace(0.0, 1.0, 1440, endpoint=False)
    begins = entry(tube, main, turns)
    span = tube.length_mm - float(begins.mean()) - fillet_mm
    strip, around, faces = unrolled_triangles(
        fillet_length + span, tube.perimeter_mm(), edge_mm=edge_mm, rng=rng
    )
    begin = np.interp(around, turns, begins, period=1.0)
    straight = begin + fillet_mm
    share = np.clip(strip / fillet_length, 0.0, 1.0)[:, None]
    along = straight + np.clip(strip - fillet_length, 0.0, None) * (tube.length_mm - straight) / span
    upper, _ = tube.evaluate(along, around)
    curve = fillet(tube, main, (begin, straight), around, share, fillet_mm=fillet_mm)
    points = np.where(share < 1.0, curve, upper)
    ring = np.flatnonzero(strip == 0.0)
    along = np.where(share[:, 0] < 1.0, begin + fillet_mm * share[:, 0], along)
    return points, faces, ring[np.argsort(around[ring])], along, around


def entry(tube: ClosedForm, main: ClosedForm, around: Floats, *, start_mm: float = 0.0) -> Floats:
    """How far along each of its lines a tube comes out of ``main``, whose axis it is on at ``start_mm``.

    It is sought by bisection, from there to six tenths of the length towards the other end.
    """
    way = 0.6 * tube.length_mm if start_mm == 0.0 else -0.6 * tube.length_mm
    inside, outside = np.full_like(around, start_mm), np.full_like(around, start_mm + way)
    for _ in range(50):
        middle = 0.5 * (inside + outside)
        hidden = main.unroll(tube.evaluate(middle, around)[0])[2] < 1.0
        inside, outside = np.where(hidden, middle, inside), np.where(hidden, outside, middle)
    return 0.5 * (inside + outside)


def fillet(
    tube: ClosedForm,
    main: ClosedForm,
    ends: tuple[Floats, Floats],
    around: Floats,
    share: Floats,
    *,
    fillet_mm: float,
) -> Floats:
    """Points of a parabola from ``main`` (share 0) to a tube (1), tangent to both surfaces.

    ``ends`` are how far along the tube's lines these come out of ``main`` and where the fillet ends.
    """
    corner, outward = tube.evaluate(ends[0], around)
    lower = on_surface(main, corner + fillet_mm * outward)
    upper, _ = tube.evaluate(ends[1], around)
    return np.asarray((1 - share) ** 2 * lower + 2 * share * (1 - share) * corner + share**2 * upper)


def on_surface(tube: ClosedForm, points: Floats) -> Floats:
    """Points moved onto a tube within their sections."""
    along, around, _ = tube.unroll(points)
    return tube.evaluate(along, around)[0]


def joined(
    main: ArcTube, branches: list[ArcTube], *, fillet_mm: float, edge_mm: float, rng: np.random.Generator
) -> Skin:
    """One skin of a main tube (part 0) and its branches (parts 1, 2, ...); footprints must not touch."""
    plane = scattered(main.length_mm, main.perimeter_mm(), edge_mm=edge_mm, rng=rng)
    arms = [branch(tube, main, fillet_mm=fillet_mm, edge_mm=edge_mm, rng=rng) for tube in branches]
    plane, corners = pierced(main, plane, [arm[0][arm[2]] for arm in arms], edge_mm=edge_mm)
    n_main = len(plane)
    main_points, main_around = on_main(main, plane)

    offsets = n_main + np.concatenate([[0], np.cumsum([len(arm[0]) for arm in arms])])
    renumbered = np.concatenate(
        [np.arange(n_main)] + [arm[2] + offset for arm, offset in zip(arms, offsets, strict=False)]
    )
    faces = [renumbered[corners]]
    faces += [arm[1] + offset for arm, offset in zip(arms, offsets, strict=False)]
    return Skin(
        points=np.concatenate([main_points] + [arm[0] for arm in arms]),
        faces=np.concatenate(faces).astype(np.int32),
        part=np.repeat(np.arange(len(arms) + 1), [n_main] + [len(arm[0]) for arm in arms]),
        along_mm=np.concatenate([plane[:, 0]] + [arm[3] for arm in arms]),
        around=np.concatenate([main_around] + [arm[4] for arm in arms]),
    )


def pierced(main: ClosedForm, plane: Floats, rings: list[Floats], *, edge_mm: float) -> tuple[Floats, Faces]:
    """Triangles of an unrolled tube that is open under rings of points on it.

    Returns the points of ``plane`` that are left and faces: numbers past those points are the rings'
    points, one ring after the other.
    """
    perimeter = main.perimeter_mm()
    loops = []
    for ring in rings:
        ring_along, ring_around, _ = main.unroll(ring)
        loop = np.stack([ring_along, ring_around * perimeter], axis=1)
        plane = plane[~_covered(plane, loop, perimeter)]
        loops.append(loop)
    owner = np.concatenate(
        [np.zeros(len(plane))] + [np.full(len(loop), i + 1) for i, loop in enumerate(loops)]
    )
    corners = periodic_delaunay(np.concatenate([plane, *loops]), perimeter, edge_mm)
    first = owner[corners[:, 0]]
    under_branch = (first > 0) & (owner[corners] == first[:, None]).all(axis=1)
    return plane, corners[~under_branch]


def on_main(main: ClosedForm, plane: Floats) -> tuple[Floats, Floats]:
    """Points of an unrolled tube in space, and their shares of a turn."""
    around = plane[:, 1] / main.perimeter_mm()
    return main.evaluate(plane[:, 0], around)[0], around


def _covered(plane: Floats, loop: Floats, period_mm: float) -> NDArray[np.bool_]:
    """Which points of an unrolled tube lie within a loop (star-shaped about its middle) or too near to it."""
    near_first = loop[0] + _wrapped(loop - loop[0], period_mm)
    # with nothing in the circles over the loop's edges, Delaunay's rule keeps every one of them
    margin_mm = 0.72 * np.linalg.norm(near_first - np.roll(near_first, 1, axis=0), axis=1).max()
    middle = near_first.mean(axis=0)
    spoke, point = _wrapped(near_first - middle, period_mm), _wrapped(plane - middle, period_mm)
    angle, radius = np.arctan2(spoke[:, 1], spoke[:, 0]), np.hypot(spoke[:, 0], spoke[:, 1])
    limit = np.interp(
        np.arctan2(point[:, 1], point[:, 0]), np.sort(angle), radius[np.argsort(angle)], period=2 * np.pi
    )
    return np.asarray(
        (np.hypot(point[:, 0], point[:, 1]) < limit) | (cKDTree(spoke).query(point)[0] < margin_mm)
    )


def _wrapped(offset: Floats, period_mm: float) -> Floats:
    """Offsets on an unrolled tube, the short way round."""
    return np.stack([offset[:, 0], (offset[:, 1] + 0.5 * period_mm) % period_mm - 0.5 * period_mm], axis=1)
