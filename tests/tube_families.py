"""The families of tubes: sections that change along a way that bends, and their variants.

A family is a function of a few measures, each with a nominal value and the range that real tubes
span (common practice, no source). Variant 0 has the nominal values; every other variant draws all of
them evenly from their ranges, so that nothing can be fitted to one shape.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from section_shapes import cut_aerofoil, d_section, ellipse, superellipse, twisted

Floats = NDArray[np.float64]
Section = Callable[[float], Floats]
Heading = Callable[[Floats, float], Floats]

#: A measure: nominal, least, greatest.
Range = tuple[float, float, float]

#: Where along the tube its sections change, as a share of its length; no waist is ever quite central.
_SHIFT: Range = (0.0, -0.12, 0.12)
#: How the section is turned against the plane of the bend, and which way the tube bends (the sign).
_ROLL_DEG: Range = (0.0, -180.0, 180.0)
_SENSE: Range = (1.0, -1.0, 1.0)


@dataclass(frozen=True)
class Kind:
    """One tube: the section at a share of its length, and its heading (radians) along the way."""

    section: Section
    heading_rad: Heading


@dataclass(frozen=True)
class Family:
    """Tubes of one kind: ``build(**measures)`` and the range of every measure."""

    build: Callable[..., Kind]
    measures: dict[str, Range]

    def nominal(self) -> dict[str, float]:
        """The measures of variant 0."""
        return {name: middle for name, (middle, _, _) in self.measures.items()}

    def drawn(self, rng: np.random.Generator) -> dict[str, float]:
        """Measures drawn evenly from their ranges."""
        return {name: float(rng.uniform(low, high)) for name, (_, low, high) in self.measures.items()}


def _about(nominal: float, least: float = 0.0, share: float = 0.2) -> Range:
    """A range of ``share`` both ways, but not below ``least``."""
    return nominal, max(least, (1.0 - share) * nominal), (1.0 + share) * nominal


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


def _round(radius: float) -> Kind:
    return Kind(lambda s: ellipse(radius, radius, 96), _straight)


def _tapered(start: float, drop: float) -> Kind:
    def section(s: float) -> Floats:
        radius = _between(start, start - drop, s)
        return ellipse(radius, radius, 96)

    return Kind(section, _straight)


def _oval(x: float, x_end: float, y: float, y_end: float, shift: float) -> Kind:
    def section(s: float) -> Floats:
        share = _ease(s + shift)
        return ellipse(_between(x, x_end, share), _between(y, y_end, share), 96)

    return Kind(section, _straight)


def _stay(start: float, stop: float, aspect: float, roll_deg: float, bend: float, sense: float) -> Kind:
    def section(s: float) -> Floats:
        radius = _between(start, stop, s)
        return _rolled(ellipse(radius * aspect, radius, 96), roll_deg)

    return Kind(section, _bend(bend, sense))


def _s_stay(
    start: float, stop: float, aspect: float, roll_deg: float, amplitude: float, shift: float, sense: float
) -> Kind:
    return Kind(
        _stay(start, stop, aspect, roll_deg, 1.0, 1.0).section,
        _s_bend(amplitude, shift, sense),
    )


def _hourglass(x: float, y: float, waist_x: float, waist_y: float, shift: float) -> Kind:
    def section(s: float) -> Floats:
        dip = np.sin(np.pi * (s + shift)) ** 2
        return ellipse(x - waist_x * dip, y - waist_y * dip, 96)

    return Kind(section, _straight)


def _d(
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


def _aerofoil(chord: float, chord_end: float, width: float, width_end: float, edge: float) -> Kind:
    return Kind(
        lambda s: cut_aerofoil(_between(chord, chord_end, s), _between(width, width_end, s), edge, 200),
        _straight,
    )


def _superellipse(
    x: float, x_end: float, y: float, y_end: float, exponent: float, exponent_end: float, shift: float
) -> Kind:
    def section(s: float) -> Floats:
        power = _between(exponent, exponent_end, _ease(s + shift))
        return superellipse(_between(x, x_end, s), _between(y, y_end, s), power, 128)

    return Kind(section, _straight)


def _twisted_oval(x: float, y: float, twist_deg: float, sense: float) -> Kind:
    signed = float(np.copysign(twist_deg, sense))
    return Kind(lambda s: twisted(ellipse(x, y, 96), np.deg2rad(signed) * s), _straight)


def _down_tube(
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


#: name -> family; lengths are half axes or radii in mm unless they are named otherwise.
FAMILIES: dict[str, Family] = {
    "round": Family(_round, {"radius": _about(16)}),
    "tapered": Family(_tapered, {"start": _about(20), "drop": (6, 2, 9)}),
    "oval": Family(
        _oval, {"x": _about(20), "x_end": _about(14), "y": _about(14), "y_end": _about(17), "shift": _SHIFT}
    ),
    "stay": Family(
        _stay,
        {
            "start": _about(9),
            "stop": _about(6, 5.8),
            "aspect": (1.0, 0.9, 1.35),
            "roll_deg": _ROLL_DEG,
            "bend": (1500, 900, 2500),
            "sense": _SENSE,
        },
    ),
    "tight_stay": Family(
        _stay,
        {
            "start": _about(9),
            "stop": _about(6, 5.8),
            "aspect": (1.0, 0.9, 1.35),
            "roll_deg": _ROLL_DEG,
            "bend": (400, 300, 600),
            "sense": _SENSE,
        },
    ),
    "s_stay": Family(
        _s_stay,
        {
            "start": _about(8),
            "stop": _about(6, 5.8),
            "aspect": (1.0, 0.9, 1.35),
            "roll_deg": _ROLL_DEG,
            "amplitude": (0.12, 0.07, 0.15),
            "shift": (0.0, -0.25, 0.25),
            "sense": _SENSE,
        },
    ),
    "hourglass": Family(
        _hourglass,
        {
            "x": _about(16),
            "y": _about(16),
            "waist_x": (2.5, 1.0, 3.5),
            "waist_y": (2, 0.5, 3),
            "shift": _SHIFT,
        },
    ),
    "d_section": Family(
        _d,
        {
            "radius": _about(15),
            "radius_end": _about(12),
            "back": _about(9),
            "back_end": _about(6.5),
            "corner": (4.0, 3.0, 5.0),
            "shift": _SHIFT,
            "roll_deg": _ROLL_DEG,
            "bend": (1500, 900, 2500),
            "sense": _SENSE,
        },
    ),
    "aerofoil": Family(
        _aerofoil,
        {
            "chord": _about(52),
            "chord_end": _about(42),
            "width": _about(24),
            "width_end": _about(20),
            "edge": (3.0, 2.6, 3.6),
        },
    ),
    "superellipse": Family(
        _superellipse,
        {
            "x": _about(20),
            "x_end": _about(16),
            "y": _about(15),
            "y_end": _about(16),
            "exponent": (4, 2.8, 4.6),
            "exponent_end": (2, 1.9, 2.4),
            "shift": _SHIFT,
        },
    ),
    "twisted_oval": Family(
        _twisted_oval, {"x": _about(19), "y": _about(13), "twist_deg": (35, 15, 45), "sense": _SENSE}
    ),
    "down_tube": Family(
        _down_tube,
        {
            "x": _about(30),
            "x_end": _about(24),
            "y": _about(22),
            "y_end": _about(27),
            "exponent": (2.6, 2.1, 3.2),
            "exponent_end": (2.2, 2.0, 2.6),
            "shift": _SHIFT,
            "bend": (1200, 800, 2000),
            "sense": _SENSE,
        },
    ),
}


def kind_of(name: str, variant: int = 0) -> Kind:
    """The tube of a family; variant 0 is the nominal one, the others are drawn, each always the same."""
    family = FAMILIES[name]
    if variant == 0:
        return family.build(**family.nominal())
    # Python salts its own hash of a text; the bytes of the name are the same everywhere
    seed = [int.from_bytes(name.encode(), "big"), variant]
    return family.build(**family.drawn(np.random.default_rng(seed)))
