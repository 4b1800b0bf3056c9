"""Small rigid motions told as offset, tilt, twist and slide about a tube."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Floats = NDArray[np.float64]

SIDE, TILT, TWIST, SLIDE = slice(0, 2), slice(2, 4), 4, 5


@dataclass(frozen=True)
class Axes:
    """Where a motion is measured: ``ways`` (3, 3) rows are two directions sideways and the tube's axis.

    Its six steps are sideways twice, tilt about these two directions, twist and slide, all in mm: turns count
    as what they move at ``radius_mm``.
    """

    centre_mm: Floats
    ways: Floats
    radius_mm: float

    def columns(self, points: Floats, normals: Floats) -> Floats:
        """Motion along unit normals by each step, (n, 6)."""
        arm = np.cross(points - self.centre_mm, normals) / self.radius_mm
        turn, shift = arm @ self.ways.T, normals @ self.ways.T
        return np.column_stack([shift[:, :2], turn, shift[:, 2]])

    def matrix(self, steps: Floats) -> Floats:
        """(4, 4) rigid motion by six steps about the centre."""
        shift = steps[SIDE] @ self.ways[:2] + steps[SLIDE] * self.ways[2]
        turn = (steps[TILT] @ self.ways[:2] + steps[TWIST] * self.ways[2]) / self.radius_mm
        placed = np.eye(4)
        placed[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
        placed[:3, 3] = self.centre_mm + shift - placed[:3, :3] @ self.centre_mm
        return placed

    def steps(self, matrix: Floats) -> Floats:
        """The six steps of a rigid motion: the inverse of :meth:`matrix`."""
        turn = self.ways @ Rotation.from_matrix(matrix[:3, :3]).as_rotvec() * self.radius_mm
        shift = self.ways @ (matrix[:3, :3] @ self.centre_mm + matrix[:3, 3] - self.centre_mm)
        return np.array([*shift[:2], *turn, shift[2]])


def axes_about(points: Floats, normals: Floats, centre_mm: Floats) -> Axes:
    """Axes of the surface that points and their normals lie on.

    The axis is the direction that the normals are most nearly square to; where none stands out, as on a ball,
    it is still some direction, and the steps only have other names.
    """
    ways = np.linalg.eigh(normals.T @ normals)[1][:, ::-1].T
    axis = ways[2] if ways[2, np.argmax(np.abs(ways[2]))] > 0.0 else -ways[2]
    side = ways[0] if ways[0, np.argmax(np.abs(ways[0]))] > 0.0 else -ways[0]
    off = points - points.mean(axis=0)
    sideways = off - np.outer(off @ axis, axis)
    radius = max(float(np.sqrt(np.einsum("ij,ij->i", sideways, sideways).mean())), 1e-3)
    return Axes(centre_mm, np.stack([side, np.cross(axis, side), axis]), radius)


def moved(points: Floats, matrix: Floats) -> Floats:
    """Points (n, 3) carried by a rigid motion (4, 4)."""
    return np.asarray(points @ matrix[:3, :3].T + matrix[:3, 3])


def inverse(matrix: Floats) -> Floats:
    """The inverse of a matrix, such as the way back of a motion (4, 4)."""
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
