"""Targets without rings, made by hand: a cap of a ball and a saddle, rebuilt in their middles."""

import numpy as np
from scipy.spatial import Delaunay

from gaploft.target.model import Target

BALL_MM, CAP_MM, HOLE_MM = 40.0, 15.0, 8.0
#: The saddle is x^2/a - y^2/b high, over a rounded field of this half length and half width.
BENDS_MM, SADDLE_MM = (70.0, 50.0), (24.0, 15.0)


def disc(length_mm, width_mm, step_mm, seed=0):
    """Points over an ellipse in the plane, (n, 2), its edge evenly set, and triangles, anticlockwise."""
    around = max(16, round(np.pi * (length_mm + width_mm) / step_mm))
    turn = 2 * np.pi * np.arange(around) / around
    edge = np.column_stack([np.cos(turn), np.sin(turn)])
    x, y = np.meshgrid(*(np.arange(-half, half, step_mm) for half in (length_mm, width_mm)), indexing="ij")
    inner = np.column_stack([x.ravel(), y.ravel()])
    inner += np.random.default_rng(seed).uniform(-0.2, 0.2, inner.shape) * step_mm
    inside = (
        np.hypot(inner[:, 0] / (length_mm - 0.7 * step_mm), inner[:, 1] / (width_mm - 0.7 * step_mm)) < 1.0
    )
    points = np.concatenate([edge * [length_mm, width_mm], inner[inside]])
    triangles = Delaunay(points).simplices
    a, b, c = (points[triangles[:, k]] for k in range(3))
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    triangles[area < 0.0] = triangles[area < 0.0][:, ::-1]
    return points, triangles[np.abs(area) > 1e-9 * step_mm**2].astype(np.int32)


def target(outer_mm, normals, triangles, rebuilt, *, depth_mm=0.0, band95_mm=0.02):
    """A target that lies ``depth_mm`` below an outer surface; depth and band are numbers or (n,)."""
    n = len(outer_mm)
    depth = np.broadcast_to(np.asarray(depth_mm, dtype=float), n).copy()
    return Target(
        vertices_mm=outer_mm - depth[:, None] * normals,
        normals=normals,
        band95_mm=np.broadcast_to(np.asarray(band95_mm, dtype=float), n).copy(),
        zone=np.asarray(rebuilt).astype(np.uint8),
        quads=np.empty((0, 4), dtype=np.int32),
        triangles=triangles,
        shape=(0, 0),
        chord_error_mm=0.005,
        depth_mm=depth,
    )


def cap(step_mm=1.0, *, depth_mm=0.0, band=None):
    """A cap of a ball about z, its pole at the origin, rebuilt within ``HOLE_MM`` of it along the surface.

    Its band rises from 0.01 at the edge to 0.05 mm at the pole, or is ``band(along)``.
    """
    flat, triangles = disc(CAP_MM, CAP_MM, step_mm)
    along, turn = np.hypot(*flat.T), np.arctan2(flat[:, 1], flat[:, 0])
    lean = along / BALL_MM
    normals = np.column_stack([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])
    outer = BALL_MM * normals - [0.0, 0.0, BALL_MM]
    band95 = 0.05 - 0.04 * along / CAP_MM if band is None else band(along)
    return target(outer, normals, triangles, along < HOLE_MM, depth_mm=depth_mm, band95_mm=band95)


def cap_area(radius_mm=BALL_MM, along_mm=CAP_MM):
    """Area of a cap that reaches so far from its pole along the ball: 2 pi R^2 (1 - cos(s/R))."""
    return 2 * np.pi * radius_mm**2 * (1 - np.cos(along_mm / BALL_MM))


def saddle_height(x, y):
    """Height of the saddle and its outward unit normals, (n,) and (n, 3)."""
    a, b = BENDS_MM
    normals = np.column_stack([-2 * x / a, 2 * y / b, np.ones_like(x)])
    return x**2 / a - y**2 / b, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def saddle(step_mm=1.0, *, depth_mm=0.0, shift=(0.0, 0.0, 0.0)):
    """The saddle, rebuilt over the middle half of its field."""
    flat, triangles = disc(*SADDLE_MM, step_mm, seed=4)
    height, normals = saddle_height(*flat.T)
    outer = np.column_stack([flat, height]) + shift
    away = np.hypot(*(flat / SADDLE_MM).T)
    band = 0.01 + 0.03 * np.clip(1.0 - away, 0.0, 1.0)
    return target(outer, normals, triangles, away < 0.5, depth_mm=depth_mm, band95_mm=band)
