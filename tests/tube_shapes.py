"""Shapes of tubes: the section along the way and how the way bends, from a few measures.

Lengths are half axes or radii in mm unless they are named otherwise; ``s`` is the share of the length.
``shift`` moves the place where sections change, ``roll_deg`` turns the section against the plane of the
bend, and the sign of ``sense`` says which way the tube bends or twists.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from section_shapes import cut_aerofoil, d_section, ellipse, superellipse, twisted

Floats = NDArray[np.float64]
Section = Callable[[float], Floats]
Heading = Callable[[Floats, float], Floats]


@dataclass(frozen=True)
class Kind:
    """One tube: the section at a share of its length, and its heading (radians) along the way."""

    section: Section
    heading_rad: Heading


def _straight(along: Floats, length_mm: float) -> Floats:
    return np.zeros_like(along)


def _bend(radius_mm: float, sense: float) -> Heading:
    signed = float(np.copysign(radius_mm, sense))
    return lambda along, length_mm: (along - 0.5 * length_mm) / signed


def _s_bend(amplitude_rad: float, shift: float, sense: float) -> Heading:
    signed = float(np.copysign(amplitude_rad, sense))
    return lambda along, length_mm: signed * np.sin(2 * np.pi * along / length_mm + 2 * np.pi * shift)


def _ease(share: float) -> float:
    """0 to 1 with flat ends, carried on past them."""
    return 0.5 - 0.5 * np.cos(np.pi * share)


def _between(start: float, stop: float, share: float) -> float:
    return start + (stop - start) * share


def _rolled(section: Floats, roll_deg: float) -> Floats:
    return twisted(section, np.deg2rad(roll_deg)) if roll_deg else section


def round_tube(radius: float) -> Kind:
    return Kind(lambda s: ellipse(radius, radius, 96), _straight)


def tapered(start: float, drop: float) -> Kind:
    def section(s: float) -> Floats:
        radius = _between(start, start - drop, s)
        return ellipse(radius, radius, 96)

    return Kind(section, _straight)


def oval(x: float, x_end: float, y: float, y_end: float, shift: float) -> Kind:
    def section(s: float) -> Floats:
        share = _ease(s + shift)
        return ellipse(_between(x, x_end, share), _between(y, y_end, share), 96)

    return Kind(section, _straight)


def stay(start: float, stop: float, aspect: float, roll_deg: float, bend: float, sense: float) -> Kind:
    def section(s: float) -> Floats:
        radius = _between(start, stop, s)
        return _rolled(ellipse(radius * aspect, radius, 96), roll_deg)

    return Kind(section, _bend(bend, sense))


def s_stay(
    start: float, stop: float, aspect: float, roll_deg: float, amplitude: float, shift: float, sense: float
) -> Kind:
    return Kind(
        stay(start, stop, aspect, roll_deg, 1.0, 1.0).section,
        _s_bend(amplitude, shift, sense),
    )


def hourglass(x: float, y: float, waist_x: float, waist_y: float, shift: float) -> Kind:
    def section(s: float) -> Floats:
        dip = np.sin(np.pi * (s + shift)) ** 2
        return ellipse(x - waist_x * dip, y - waist_y * dip, 96)

    return Kind(section, _straight)


def d_tube(
    radius: float,
    radius_end: float,
    back: float,
    back_end: float,
    corner: float,
    shift: float,
    roll_deg: float,
    bend: float,
    sense: float,
) -> Kind:
    def section(s: float) -> Floats:
        share = _ease(s + shift)
        flat = d_section(_between(radius, radius_end, share), _between(back, back_end, share), corner, 160)
        return _rolled(flat, roll_deg)

    return Kind(section, _bend(bend, sense))


def aerofoil(chord: float, chord_end: float, width: float, width_end: float, edge: float) -> Kind:
    return Kind(
        lambda s: cut_aerofoil(_between(chord, chord_end, s), _between(width, width_end, s), edge, 200),
        _straight,
    )


def square_to_round(
    x: float, x_end: float, y: float, y_end: float, exponent: float, exponent_end: float, shift: float
) -> Kind:
    def section(s: float) -> Floats:
        power = _between(exponent, exponent_end, _ease(s + shift))
        return superellipse(_between(x, x_end, s), _between(y, y_end, s), power, 128)

    return Kind(section, _straight)


def twisted_oval(x: float, y: float, twist_deg: float, sense: float) -> Kind:
    signed = float(np.copysign(twist_deg, sense))
    return Kind(lambda s: twisted(ellipse(x, y, 96), np.deg2rad(signed) * s), _straight)


def down_tube(
    x: float,
    x_end: float,
    y: float,
    y_end: float,
    exponent: float,
    exponent_end: float,
    shift: float,
    bend: float,
    sense: float,
) -> Kind:
    def section(s: float) -> Floats:
        share = _ease(s + shift)
        power = _between(exponent, exponent_end, s)
        return superellipse(_between(x, x_end, share), _between(y, y_end, share), power, 128)

    return Kind(section, _bend(bend, sense))
