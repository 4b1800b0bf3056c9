"""Tubes in closed form with sections and ways that are harder to foresee: D-shaped, crimped, swayed.

A section is told by the radius of curvature of its outline as a cosine series of the direction of its
normal. All else follows: the support function has the same series with coefficients divided by 1 - k**2,
the arc length is a sine series, and the perimeter is 2 pi times the first radius (Cauchy). See for example
R. Schneider, "Convex Bodies: The Brunn-Minkowski Theory", second edition, 2014, sections 1.7 and 2.5.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from frame_tubes import ClosedForm, Floats, Vector, tube_frame

#: The orders of the series; the first would only shift the section, so that there is none.
_ORDERS = np.array([0, 2, 3, 4, 5, 6])


@dataclass(frozen=True)
class ShapedTube(ClosedForm):
    """A tube whose sections are parallel to each other and square to ``direction``; lengths in mm.

    Attributes
    ----------
    start_mm, direction, side : where the centreline begins, and a frame: sections lie along ``side`` and
        the cross product of ``direction`` and ``side``
    length_mm : length along ``direction``
    radii_start_mm, radii_end_mm : the section's radius of curvature, coefficients of cos(k turn) for k = 0,
        2, 3, 4, 5, 6 (the missing ones are 0), where the turn counts from ``side``; they change along the
        tube like half a cosine wave
    radii_swell_mm : what is added to them about ``at_mm``, as a bell of half width ``over_mm``
    bend_per_mm : curvature of the centreline towards ``side``, a parabola
    sway_mm : how far the centreline changes over to ``side`` about ``at_mm``, as a tanh over ``over_mm``
    """

    start_mm: Vector
    direction: Vector
    side: Vector
    length_mm: float
    radii_start_mm: tuple[float, ...]
    radii_end_mm: tuple[float, ...]
    radii_swell_mm: tuple[float, ...] = (0.0,)
    bend_per_mm: float = 0.0
    sway_mm: float = 0.0
    at_mm: float = 0.0
    over_mm: float = 1.0

    def _radii(self, along_mm: Floats) -> tuple[Floats, Floats]:
        """Coefficients of the series, (n, 6), and their rates of change along the tube."""
        start, end, swell = (
            np.pad(radii, (0, len(_ORDERS) - len(radii)))
            for radii in (self.radii_start_mm, self.radii_end_mm, self.radii_swell_mm)
        )
        wave = np.pi / self.length_mm
        away = (along_mm - self.at_mm) / self.over_mm
        bell = np.exp(-(away**2))
        share, rate = 0.5 - 0.5 * np.cos(wave * along_mm), 0.5 * wave * np.sin(wave * along_mm)
        return (
            start + np.outer(share, end - start) + np.outer(bell, swell),
            np.outer(rate, end - start) - np.outer(2.0 * away / self.over_mm * bell, swell),
        )

    def _way(self, along_mm: Floats) -> tuple[Floats, Floats]:
        """How far the centreline lies aside, and its slope."""
        step = np.tanh((along_mm - self.at_mm) / self.over_mm)
        aside = 0.5 * self.bend_per_mm * along_mm**2 + 0.5 * self.sway_mm * step
        slope = self.bend_per_mm * along_mm + 0.5 * self.sway_mm * (1.0 - step**2) / self.over_mm
        return aside, slope

    def centre(self, along_mm: Floats) -> Floats:
        """Points of the centreline, (n, 3)."""
        forward, side, _ = tube_frame(self.direction, self.side)
        along = np.atleast_1d(along_mm)
        return np.asarray(self.start_mm + along[:, None] * forward + self._way(along)[0][:, None] * side)

    def derivatives(self, along_mm: Floats, turn_rad: Floats) -> tuple[Floats, Floats, Floats]:
        """Surface points and their derivatives along and around."""
        forward, side, up = tube_frame(self.direction, self.side)
        radii, rates = self._radii(along_mm)
        onward = np.cos(turn_rad)[:, None] * up - np.sin(turn_rad)[:, None] * side

        def spoke(series: Floats) -> Floats:
            x, y = _outline(series, turn_rad)
            return x[:, None] * side + y[:, None] * up

        points = self.centre(along_mm) + spoke(radii)
        by_along = forward + self._way(along_mm)[1][:, None] * side + spoke(rates)
        return points, by_along, np.sum(radii * _cosines(turn_rad), axis=1)[:, None] * onward

    def turn_at(self, along_mm: Floats, around: Floats) -> Floats:
        """The direction of the normal at a share of the section's arc length."""
        radii = self._radii(along_mm)[0]
        aim = 2 * np.pi * radii[:, 0] * around

        def miss(turn: Floats) -> tuple[Floats, Floats]:
            return _arc_length(radii, turn) - aim, np.sum(radii * _cosines(turn), axis=1)

        return _root(miss, np.zeros_like(aim), np.full_like(aim, 2 * np.pi))

    def unroll(self, points: Floats) -> tuple[Floats, Floats, Floats]:
        """``along_mm``, ``around`` and level of points: below 1 inside the tube, 1 on its surface."""
        along, turn, level = self._in_section(points)
        radii = self._radii(along)[0]
        return along, _arc_length(radii, turn) / (2 * np.pi * radii[:, 0]) % 1.0, level

    def _in_section(self, points: Floats) -> tuple[Floats, Floats, Floats]:
        """Length, direction of the normal and level of points: those of the same bearing."""
        forward, side, up = tube_frame(self.direction, self.side)
        along = (points - np.array(self.start_mm)) @ forward
        offset = points - self.centre(along)
        aside, above = offset @ side, offset @ up
        radii = self._radii(along)[0]

        def miss(turn: Floats) -> tuple[Floats, Floats]:
            x, y = _outline(radii, turn)
            bend = np.sum(radii * _cosines(turn), axis=1)
            return aside * y - above * x, bend * (aside * np.cos(turn) + above * np.sin(turn))

        bearing = np.arctan2(above, aside)
        turn = _root(miss, bearing - 0.5 * np.pi, bearing + 0.5 * np.pi)
        level = np.hypot(aside, above) / np.hypot(*_outline(radii, turn))
        return along, turn % (2 * np.pi), level

    def foot_guess(self, points: Floats) -> tuple[Floats, Floats]:
        """Length and angle of the points of the same section and direction from the centre."""
        along, turn, _ = self._in_section(points)
        return along, turn


def _cosines(turn_rad: Floats) -> Floats:
    return np.asarray(np.cos(np.multiply.outer(turn_rad, _ORDERS)))


def _outline(radii: Floats, turn_rad: Floats) -> tuple[Floats, Floats]:
    """The point of the outline whose normal has a direction: support h outward, its derivative onward."""
    support = radii / (1.0 - _ORDERS**2)
    wave = np.multiply.outer(turn_rad, _ORDERS)
    height, rate = np.sum(support * np.cos(wave), axis=1), -np.sum(support * _ORDERS * np.sin(wave), axis=1)
    cosine, sine = np.cos(turn_rad), np.sin(turn_rad)
    return height * cosine - rate * sine, height * sine + rate * cosine


def _root(miss: Callable[[Floats], tuple[Floats, Floats]], low: Floats, high: Floats) -> Floats:
    """Where a rising function is 0: some bisections, then Newton's steps."""
    for _ in range(9):
        middle = 0.5 * (low + high)
        short = miss(middle)[0] < 0.0
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    root = 0.5 * (low + high)
    for _ in range(5):
        value, slope = miss(root)
        root = np.clip(root - value / slope, low, high)
    return root


def _arc_length(radii: Floats, turn_rad: Floats) -> Floats:
    """Arc length of the outline from turn 0, mm."""
    order = _ORDERS[1:]
    waves = np.sin(np.multiply.outer(turn_rad, order)) / order
    return np.asarray(radii[:, 0] * turn_rad + np.sum(radii[:, 1:] * waves, axis=1))
