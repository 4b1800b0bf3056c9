"""The frame that results are written in: the scan's own, or a machine's, set by points or fixture spheres."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.checks import as_points
from gaploft.errors import InputError
from gaploft.scan.sphere_fit import FittedSphere

Floats = NDArray[np.float64]
FrameKind = Literal["scan", "points", "spheres"]

#: Points nearer than this to their middle, or this share of that nearer to a line, set no directions.
_CLOSEST_MM, _FLATTEST = 1.0, 0.02

_WORDS = {
    "scan": "frame of the scan",
    "points": "machine frame by three points",
    "spheres": "machine frame by fixture spheres",
}


@dataclass(frozen=True)
class Frame:
    """A right-handed frame and how it was found.

    Attributes
    ----------
    kind : what set it
    matrix : (4, 4) rows, carries scan coordinates in mm into it
    spheres : those it rests on, in the scan's frame
    at_mm : (k, 3) where the machine has them, (0, 3) if that was not given
    residuals_mm : (k, 3) where the spheres come to lie less ``at_mm``
    """

    kind: FrameKind
    matrix: Floats
    spheres: tuple[FittedSphere, ...] = ()
    at_mm: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    residuals_mm: Floats = field(default_factory=lambda: np.zeros((0, 3)))

    @property
    def owner(self) -> Literal["scan", "machine"]:
        """Whose frame it is."""
        return "scan" if self.kind == "scan" else "machine"

    @property
    def words(self) -> str:
        """The frame in a few words, for headers and reports."""
        return _WORDS[self.kind]

    @property
    def largest_mm(self) -> float:
        """Largest distance of a sphere from where the machine has it, 0 where nothing is left over."""
        return float(np.linalg.norm(self.residuals_mm, axis=1).max(initial=0.0))


def points_frame(points_mm: ArrayLike) -> Frame:
    """Frame with its origin in the first point, the second on +x and the third on the side of +y.

    Parameters
    ----------
    points_mm : array_like, (3, 3), scan frame

    Raises
    ------
    ValueError
        Not three points.
    InputError
        The points are too close to each other or nearly on a line.
    """
    points = as_points(points_mm, name="points_mm")
    if len(points) != 3:
        raise ValueError(f"points_mm must hold 3 points, got {len(points)}")
    return Frame("points", three_point_matrix(points, "points"))


def moved_points(frame: Frame, points_mm: Floats) -> Floats:
    """Points (n, 3) of the scan's frame in ``frame``."""
    return carried(frame.matrix, points_mm)


def moved_normals(frame: Frame, normals: Floats) -> Floats:
    """Directions (n, 3) of the scan's frame in ``frame``."""
    return np.asarray(normals @ frame.matrix[:3, :3].T)


def rigid_motion(points: Floats, onto: Floats) -> Floats:
    """(d + 1, d + 1) motion without reflection that brings (k, d) points closest to others, least squares.

    Umeyama's, without scale: "Least-squares estimation of transformation parameters between two point
    patterns", IEEE PAMI 13(4), 1991, pp. 376-380.
    """
    middle, aim = points.mean(axis=0), onto.mean(axis=0)
    left, _, right = np.linalg.svd((onto - aim).T @ (points - middle))
    sign = np.ones(len(middle))
    sign[-1] = np.sign(np.linalg.det(left) * np.linalg.det(right))
    matrix = np.eye(len(middle) + 1)
    matrix[:-1, :-1] = (left * sign) @ right
    matrix[:-1, -1] = aim - matrix[:-1, :-1] @ middle
    return matrix


def carried(matrix: Floats, points: Floats) -> Floats:
    """Points (n, 3) carried by a motion (4, 4)."""
    return np.asarray(points @ matrix[:3, :3].T + matrix[:3, 3])


def three_point_matrix(points: Floats, of: str) -> Floats:
    """(4, 4) motion that brings three points to the origin, +x and the side of +y; ``of`` names them."""
    check_flat(points, f"{of} that set the frame")
    along = points[1] - points[0]
    x = along / np.linalg.norm(along)
    side = points[2] - points[0]
    side = side - (side @ x) * x
    y = side / np.linalg.norm(side)
    matrix = np.eye(4)
    matrix[:3, :3] = x, y, np.cross(x, y)
    matrix[:3, 3] = -matrix[:3, :3] @ points[0]
    return matrix


def check_flat(points: Floats, what: str) -> None:
    """Raise InputError unless points (k, 3) lie well apart and not on a line: directions need that."""
    away = points - points.mean(axis=0)
    line = np.linalg.svd(away, full_matrices=False)[2][0]
    along = away @ line
    off = float(np.linalg.norm(away - np.outer(along, line), axis=1).max())
    long = float(np.abs(along).max())
    if long < _CLOSEST_MM or off < _FLATTEST * long:
        raise InputError(
            f"the {what} lie too close together or nearly on a line, {off:.2f} mm off it: "
            "choose one that is well to the side"
        )
