"""Tubes in closed form: a circular arc or a straight line, with elliptical sections that change.

The sample scenes are built of these, so that the truth about a broken tube is a formula.
"""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Vector = tuple[float, float, float]


class ClosedForm:
    """What every tube below has that can say its surface and the derivatives of it.

    ``derivatives(along_mm, turn_rad)`` gives points and their derivatives along and around;
    ``unroll(points)`` length, share of a turn and level of points (1 on the surface); ``turn_at(along_mm,
    around)`` the angle of a share of a turn, ``foot_guess(points)`` length and angle near the foot points.
    """

    length_mm: float

    def derivatives(self, along_mm: Floats, turn_rad: Floats) -> tuple[Floats, Floats, Floats]:
        raise NotImplementedError

    def turn_at(self, along_mm: Floats, around: Floats) -> Floats:
        """Angle (radians) of a share of one turn."""
        return 2 * np.pi * around

    def unroll(self, points: Floats) -> tuple[Floats, Floats, Floats]:
        raise NotImplementedError

    def foot_guess(self, points: Floats) -> tuple[Floats, Floats]:
        raise NotImplementedError

    def evaluate(self, along_mm: Floats, around: Floats) -> tuple[Floats, Floats]:
        """Surface points and outward unit normals; ``around`` is a share of one turn."""
        points, by_along, by_turn = self.derivatives(along_mm, self.turn_at(along_mm, around))
        return points, _unit_normals(by_along, by_turn)

    def distance(self, points: Floats) -> Floats:
        """Signed distance to the surface, positive outside, mm: foot points by Gauss-Newton steps.

        Good to rounding for points nearer to the surface than its smallest radius of curvature.
        """
        along, turn = self.foot_guess(points)
        for _ in range(60):
            foot, by_along, by_turn = self.derivatives(along, turn)
            gap = points - foot
            aa, tt = np.sum(by_along**2, axis=1), np.sum(by_turn**2, axis=1)
            at = np.sum(by_along * by_turn, axis=1)
            along_slope, turn_slope = np.sum(gap * by_along, axis=1), np.sum(gap * by_turn, axis=1)
            area = aa * tt - at**2
            along = along + (tt * along_slope - at * turn_slope) / area
            step = (aa * turn_slope - at * along_slope) / area
            turn = turn + np.clip(step, -0.3, 0.3)
            if np.abs(step).max(initial=0.0) < 1e-12:
                break
        foot, by_along, by_turn = self.derivatives(along, turn)
        return np.asarray(np.sum((points - foot) * _unit_normals(by_along, by_turn), axis=1))

    def perimeter_mm(self) -> float:
        """Perimeter half way along, summed over a fine polygon."""
        around = np.linspace(0.0, 1.0, 2000, endpoint=False)
        ring, _ = self.evaluate(np.full(2000, 0.5 * self.length_mm), around)
        return float(np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1).sum())

    def to_json(self) -> dict[str, Any]:
        """The fields, for ``truth.json``."""
        return asdict(self)


def _unit_normals(by_along: Floats, by_turn: Floats) -> Floats:
    normals = np.cross(by_turn, by_along)
    return np.asarray(normals / np.linalg.norm(normals, axis=1, keepdims=True))


def tube_frame(direction: Vector, side: Vector) -> tuple[Floats, Floats, Floats]:
    """Direction, side (made square to it) and their cross product, unit length."""
    forward = np.array(direction) / np.linalg.norm(direction)
    square = np.array(side) - np.dot(side, forward) * forward
    square /= np.linalg.norm(square)
    return forward, square, np.cross(forward, square)


@dataclass(frozen=True)
class ArcTube(ClosedForm):
    """A tube along an arc in the plane of ``direction`` and ``side``; lengths in mm.

    ``half_axes_start_mm`` and ``half_axes_end_mm`` are the section's half axes, the first towards
    ``side``. They change along the tube like half a cosine wave. ``bend_per_mm`` is the curvature of
    the centreline, positive when it bends towards ``side``.
    """

    start_mm: Vector
    direction: Vector
    side: Vector
    length_mm: float
    half_axes_start_mm: tuple[float, float]
    half_axes_end_mm: tuple[float, float]
    bend_per_mm: float = 0.0

    @property
    def _frame(self) -> tuple[Floats, Floats, Floats]:
        return tube_frame(self.direction, self.side)

    def half_axes(self, along_mm: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Both half axes and their rates of change along the tube."""
        wave = np.pi / self.length_mm
        share, rate = 0.5 - 0.5 * np.cos(wave * along_mm), 0.5 * wave * np.sin(wave * along_mm)
        (a, b), (a_end, b_end) = self.half_axes_start_mm, self.half_axes_end_mm
        return a + (a_end - a) * share, b + (b_end - b) * share, (a_end - a) * rate, (b_end - b) * rate

    def centre(self, along_mm: Floats) -> Floats:
        """Points of the centreline, (n, 3)."""
        direction, side, _ = self._frame
        along = np.atleast_1d(along_mm)[:, None]
        angle = self.bend_per_mm * along
        forward = along * np.sinc(angle / np.pi)
        sideways = 0.5 * along * angle * np.sinc(angle / (2 * np.pi)) ** 2
        return np.asarray(self.start_mm + forward * direction + sideways * side)

    def derivatives(self, along_mm: Floats, turn_rad: Floats) -> tuple[Floats, Floats, Floats]:
        """Surface points and their derivatives along and around."""
        direction, side, up = self._frame
        a, b, a_rate, b_rate = (x[:, None] for x in self.half_axes(along_mm))
        angle = self.bend_per_mm * along_mm[:, None]
        forward = np.cos(angle) * direction + np.sin(angle) * side
        inward = np.cos(angle) * side - np.sin(angle) * direction
        cosine, sine = np.cos(turn_rad)[:, None], np.sin(turn_rad)[:, None]
        points = self.centre(along_mm) + a * cosine * inward + b * sine * up
        by_along = (
            (1.0 - self.bend_per_mm * a * cosine) * forward + a_rate * cosine * inward + b_rate * sine * up
        )
        by_turn = -a * sine * inward + b * cosine * up
        return points, by_along, by_turn

    def unroll(self, points: Floats) -> tuple[Floats, Floats, Floats]:
        """``along_mm``, ``around`` and level of points: below 1 inside the tube, 1 on its surface."""
        direction, side, up = self._frame
        offset = points - np.array(self.start_mm)
        forward, sideways, height = offset @ direction, offset @ side, offset @ up
        if self.bend_per_mm == 0.0:
            along, inward = forward, sideways
        else:
            far, near = self.bend_per_mm * forward, 1.0 - self.bend_per_mm * sideways
            along = np.arctan2(far, near) / self.bend_per_mm
            inward = (1.0 - np.hypot(far, near)) / self.bend_per_mm
        a, b, _, _ = self.half_axes(along)
        around = np.arctan2(height / b, inward / a) / (2 * np.pi) % 1.0
        return along, around, np.hypot(height / b, inward / a)

    def foot_guess(self, points: Floats) -> tuple[Floats, Floats]:
        """Length and angle of the points of the same section and direction from the centre."""
        along, around, _ = self.unroll(points)
        return along, 2 * np.pi * around
