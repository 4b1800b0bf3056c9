"""The families of tubes: sections that change along a way that bends, and their variants.

A family is a function of a few measures, each with a nominal value and the range that real tubes
span (common practice, no source). Variant 0 has the nominal values; every other variant draws all of
them evenly from their ranges, so that nothing can be fitted to one shape.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tube_shapes import (
    Kind,
    aerofoil,
    d_tube,
    down_tube,
    hourglass,
    oval,
    round_tube,
    s_stay,
    square_to_round,
    stay,
    tapered,
    twisted_oval,
)

#: A measure: nominal, least, greatest.
Range = tuple[float, float, float]

#: Where along the tube its sections change, as a share of its length; no waist is ever quite central.
_SHIFT: Range = (0.0, -0.12, 0.12)
#: How the section is turned against the plane of the bend, and which way the tube bends (the sign).
_ROLL_DEG: Range = (0.0, -180.0, 180.0)
_SENSE: Range = (1.0, -1.0, 1.0)


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


#: name -> family; lengths are half axes or radii in mm unless they are named otherwise.
FAMILIES: dict[str, Family] = {
    "round": Family(round_tube, {"radius": _about(16)}),
    "tapered": Family(tapered, {"start": _about(20), "drop": (6, 2, 9)}),
    "oval": Family(
        oval, {"x": _about(20), "x_end": _about(14), "y": _about(14), "y_end": _about(17), "shift": _SHIFT}
    ),
    "stay": Family(
        stay,
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
        stay,
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
        s_stay,
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
        hourglass,
        {
            "x": _about(16),
            "y": _about(16),
            "waist_x": (2.5, 1.0, 3.5),
            "waist_y": (2, 0.5, 3),
            "shift": _SHIFT,
        },
    ),
    "d_section": Family(
        d_tube,
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
        aerofoil,
        {
            "chord": _about(52),
            "chord_end": _about(42),
            "width": _about(24),
            "width_end": _about(20),
            "edge": (3.0, 2.6, 3.6),
        },
    ),
    "superellipse": Family(
        square_to_round,
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
        twisted_oval, {"x": _about(19), "y": _about(13), "twist_deg": (35, 15, 45), "sense": _SENSE}
    ),
    "down_tube": Family(
        down_tube,
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
