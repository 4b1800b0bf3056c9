"""Curved outlines that are formulas, with exact foot points: torus, ellipsoid, saddle, cylinder, flared tube.

Each has ``project(points)``: foot points (n, 3) mm and outward unit normals (n, 3) there, and
``rough()``: a coarse mesh of itself to scatter a scan's points over.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from junction_damage import Mark, Site
from junction_mesh import Faces, Floats, Surface


def _unit(vectors: Floats) -> Floats:
    """Vectors (n, 3) of length 1."""
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))


def grid_faces(n_rows: int, n_columns: int) -> Faces:
    """Two triangles for each cell of a grid of points told row by row."""
    number = np.arange(n_rows * n_columns).reshape(n_rows, n_columns)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    halves = [np.stack([a, b, c], axis=-1), np.stack([a, c, d], axis=-1)]
    return np.concatenate([half.reshape(-1, 3) for half in halves]).astype(np.int32)


def _grid(first: Floats, second: Floats) -> tuple[Floats, Floats, Faces]:
    """All pairs of two lists of parameters, and the faces over them."""
    one, two = np.meshgrid(first, second, indexing="ij")
    return one.ravel(), two.ravel(), grid_faces(len(first), len(second))


@dataclass(frozen=True)
class Torus:
    """A bent tube about the z axis: its centreline has the radius ``big_mm``."""

    big_mm: float = 60.0
    small_mm: float = 16.0

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        """Closest points and normals; closed form: the ring's closest point, and out from there."""
        ring = self.big_mm * _unit(points * [1.0, 1.0, 0.0])
        normal = _unit(points - ring)
        return ring + self.small_mm * normal, normal

    def rough(self) -> tuple[Floats, Faces]:
        """A mesh with edges of some 2 mm."""
        turn, around, faces = _grid(np.linspace(0, 2 * np.pi, 241), np.linspace(0, 2 * np.pi, 61))
        out = self.big_mm + self.small_mm * np.cos(around)
        height = self.small_mm * np.sin(around)
        return np.stack([out * np.cos(turn), out * np.sin(turn), height], axis=1), faces


@dataclass(frozen=True)
class Cylinder:
    """A straight round tube along z."""

    radius_mm: float = 16.0
    length_mm: float = 160.0

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        """Closest points and normals, closed form; the tube goes on past its ends."""
        normal = _unit(points * [1.0, 1.0, 0.0])
        return self.radius_mm * normal + points * [0.0, 0.0, 1.0], normal

    def rough(self) -> tuple[Floats, Faces]:
        """A mesh with edges of some 2 mm."""
        half = 0.5 * self.length_mm
        z, around, faces = _grid(np.linspace(-half, half, 81), np.linspace(0, 2 * np.pi, 61))
        points = np.stack([self.radius_mm * np.cos(around), self.radius_mm * np.sin(around), z], axis=1)
        return points, faces


@dataclass(frozen=True)
class Ellipsoid:
    """An ellipsoid with its axes along x, y and z."""

    half_axes_mm: tuple[float, float, float] = (22.0, 30.0, 55.0)

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        """Closest points and normals.

        The foot is ``a**2 p / (t + a**2)`` with ``t`` the greatest root of
        ``sum((a p / (t + a**2))**2) = 1``: the sum falls and is convex there, so that Newton's steps
        from the left of the root never pass it.
        """
        square = np.square(self.half_axes_mm)
        reached = np.abs(points) * self.half_axes_mm
        t = (reached - square).max(axis=1)
        for _ in range(60):
            share = reached / (t[:, None] + square)
            step = (np.sum(share**2, axis=1) - 1.0) / (2 * np.sum(share**2 / (t[:, None] + square), axis=1))
            t = t + np.maximum(step, 0.0)
            if step.max(initial=0.0) < 1e-10:
                break
        foot = points * square / (t[:, None] + square)
        return foot, _unit(foot / square)

    def rough(self) -> tuple[Floats, Faces]:
        """A mesh with edges of some 2 mm."""
        turn, rise, faces = _grid(np.linspace(0, 2 * np.pi, 91), np.linspace(-np.pi / 2, np.pi / 2, 91))
        ball = np.stack([np.cos(turn) * np.cos(rise), np.sin(turn) * np.cos(rise), np.sin(rise)], axis=1)
        return ball * self.half_axes_mm, faces


@dataclass(frozen=True)
class Saddle:
    """The sheet ``z = x**2 / a_mm - y**2 / b_mm``, outward up; it goes on past the scanned square."""

    a_mm: float = 70.0
    b_mm: float = 50.0
    half_mm: float = 55.0

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        """Closest points and normals: Newton's method for (x, y) of the foot, from the point's own.

        It is meant for points nearer than the radii of curvature (25 mm at least).
        """
        bend = np.array([2.0 / self.a_mm, -2.0 / self.b_mm])
        flat = points[:, :2].copy()
        for _ in range(50):
            slope = bend * flat
            lift = self._height(flat) - points[:, 2]
            residual = flat - points[:, :2] + lift[:, None] * slope
            first = 1.0 + slope**2 + lift[:, None] * bend
            mixed = slope[:, 0] * slope[:, 1]
            det = first[:, 0] * first[:, 1] - mixed**2
            step = (residual * first[:, ::-1] - residual[:, ::-1] * mixed[:, None]) / det[:, None]
            flat -= np.clip(step, -5.0, 5.0)
            if np.abs(step).max(initial=0.0) < 1e-11:
                break
        normal = np.concatenate([-bend * flat, np.ones((len(flat), 1))], axis=1)
        return np.column_stack([flat, self._height(flat)]), _unit(normal)

    def _height(self, flat: Floats) -> Floats:
        return np.asarray(flat[:, 0] ** 2 / self.a_mm - flat[:, 1] ** 2 / self.b_mm)

    def rough(self) -> tuple[Floats, Faces]:
        """A mesh of the square with edges of some 2 mm."""
        line = np.linspace(-self.half_mm, self.half_mm, 57)
        x, y, faces = _grid(line, line)
        flat = np.stack([x, y], axis=1)
        return np.column_stack([flat, self._height(flat)]), faces


@dataclass(frozen=True)
class Flare:
    """A round tube along z that flares: its radius is ``neck_mm + wide_mm * exp(z / length_mm)``.

    It is no tube whose sections hardly change, and no surface of the second degree.
    """

    neck_mm: float = 14.0
    wide_mm: float = 4.0
    length_mm: float = 18.0
    start_mm: float = -85.0
    stop_mm: float = 26.0

    def _radius(self, z: Floats) -> tuple[Floats, Floats, Floats]:
        """Radius and its first and second derivative along z."""
        more = self.wide_mm * np.exp(z / self.length_mm)
        return self.neck_mm + more, more / self.length_mm, more / self.length_mm**2

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        """Closest points and normals: Newton's method for the foot's z, in the plane of axis and point."""
        out = np.hypot(points[:, 0], points[:, 1])
        z = points[:, 2].copy()
        for _ in range(80):
            radius, slope, bend = self._radius(z)
            short = radius - out
            step = (z - points[:, 2] + short * slope) / np.maximum(1.0 + slope**2 + short * bend, 0.2)
            z -= np.clip(step, -3.0, 3.0)
            if np.abs(step).max(initial=0.0) < 1e-12:
                break
        radius, slope, _ = self._radius(z)
        way = _unit(points * [1.0, 1.0, 0.0])
        foot = radius[:, None] * way + z[:, None] * [0.0, 0.0, 1.0]
        return foot, _unit(way - slope[:, None] * [0.0, 0.0, 1.0])

    def rough(self) -> tuple[Floats, Faces]:
        """A mesh with edges of some 2 mm."""
        rows = np.linspace(self.start_mm, self.stop_mm, 71)
        z, around, faces = _grid(rows, np.linspace(0, 2 * np.pi, 91))
        radius = self._radius(z)[0]
        return np.stack([radius * np.cos(around), radius * np.sin(around), z], axis=1), faces


def _spot(at_mm: tuple[float, float, float], size_mm: float) -> Callable[[Surface], Mark]:
    """A round mark about the foot of a point."""

    def mark(surface: Surface) -> Mark:
        return Mark(surface.project(np.array([at_mm]))[0], 0.5 * size_mm)

    return mark


_SHORT_FLARE = partial(Flare, 17.0, 3.5, 13.0, stop_mm=22.0)

CLOSED_SITES = (
    Site("torus_inner", Torus, _spot((44.0, 0.0, 4.0), 25.0), 25.0),
    Site("torus_outer", Torus, _spot((72.0, 5.0, 10.0), 30.0), 30.0, kept_out=True),
    Site("torus_tight", partial(Torus, 55.0, 15.0), _spot((67.0, 0.0, 10.0), 30.0), 30.0),
    Site("ellipsoid", Ellipsoid, _spot((20.0, 8.0, 20.0), 25.0), 25.0, kept_out=True),
    Site("saddle", Saddle, _spot((6.0, -8.0, 0.0), 40.0), 40.0, edge_mm=0.75, reach_mm=90.0),
    Site("one_sided_cylinder", Cylinder, _spot((16.0, 2.0, 5.0), 25.0), 25.0),
    Site("flare", Flare, _spot((18.0, 0.0, 0.0), 25.0), 25.0),
    Site("flare_short", _SHORT_FLARE, _spot((0.0, -22.0, 3.0), 22.0), 22.0, kept_out=True),
)
