"""A patch on a ball about the origin, as a surface that knows distances and as evenly spread nodes."""

import numpy as np

import plain_patch
from gaploft.patch.base import PatchSurface
from gaploft.patch.meeting import Against
from gaploft.target.patch_mesh import NodeMesh

RADIUS_MM, REACH_MM, RIM_MM = 20.0, 24.0, 7.0


class Ball:
    """Distances from a ball; ``outward`` -1 makes the material lie around it, so that it is hollow."""

    def __init__(self, radius_mm, outward=1):
        self.radius_mm, self.outward = radius_mm, outward

    def against(self, points):
        away = np.linalg.norm(points, axis=1)
        normal = self.outward * points / away[:, None]
        return Against(self.outward * (away - self.radius_mm), normal, np.zeros(len(points), dtype=np.int64))


def ball_patch(radius_mm=RADIUS_MM, *, outward=1, reach_mm=REACH_MM, rim_mm=RIM_MM, step_mm=1.3):
    """Surface and nodes around the pole at +z, and the distance of the nodes from it along the ball."""
    flat, triangles = plain_patch.disc(reach_mm, reach_mm, step_mm)
    along, turn = np.hypot(*flat.T), np.arctan2(flat[:, 1], flat[:, 0])
    ways = on_ball(along / radius_mm, turn)
    surface = PatchSurface(Ball(radius_mm, outward), None, np.zeros(len(ways)))
    band = np.full(len(ways), 0.02)
    faces = (triangles if outward > 0 else triangles[:, ::-1]).astype(np.int32)
    return surface, NodeMesh(radius_mm * ways, outward * ways, faces, along - rim_mm, band), along


def on_ball(lean, turn):
    """Unit vectors that lean from +z by an angle, about it by another."""
    return np.column_stack([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])


def circle(along_mm, *, radius_mm=RADIUS_MM, count=60):
    """Places of a circle so far from the pole along the ball, the pole on their right, (count, 3)."""
    turn = -2 * np.pi * np.arange(count) / count
    return radius_mm * on_ball(np.full(count, along_mm / radius_mm), turn)


def cap_area(along_mm, radius_mm, nominal_mm=RADIUS_MM):
    """Area of a cap on a ball of another radius: 2 pi r^2 (1 - cos(s/R))."""
    return 2 * np.pi * radius_mm**2 * (1 - np.cos(along_mm / nominal_mm))
