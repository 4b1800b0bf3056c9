"""The end of a flank at a junction: the tube runs into a fat crossing tube, with a fillet.

Seeded; lengths in mm. The tube is any surface ``evaluate(along_mm, around) -> (points, normals)``.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from frame_tubes import ArcTube
from irregular import Floats
from junction import Skin, joined

Evaluate = Callable[[Floats, Floats], tuple[Floats, Floats]]

FILLET_MM = 3.0
#: How far the crossing tube goes on past both sides of the tube that ends on it.
_OVERHANG_MM = 30.0


@dataclass(frozen=True)
class Arm:
    """A tube told backwards, from the axis of the crossing tube to its open start."""

    surface: Evaluate
    length_mm: float
    around_mm: float

    def evaluate(self, along_mm: Floats, around: Floats) -> tuple[Floats, Floats]:
        """Points and outward normals; the turn goes backwards too, so that faces stay outward."""
        return self.surface(self.length_mm - along_mm, -around % 1.0)

    def perimeter_mm(self) -> float:
        """Perimeter of a middling section."""
        return self.around_mm


def tee(
    evaluate: Evaluate,
    *,
    flank_end_mm: float,
    perimeter_mm: float,
    edge_mm: float,
    rng: np.random.Generator,
) -> tuple[Skin, float]:
    """Mesh a tube that leaves its own surface at ``flank_end_mm`` for a fillet onto a crossing tube.

    Returns the skin, part 0 the crossing tube, and the length along the tube at which that tube's
    axis lies. The crossing tube stands square to the tube, leaning by up to 15 degrees.
    """
    turn, lean = rng.uniform(0.0, 2 * np.pi), np.deg2rad(rng.uniform(-15.0, 15.0))
    axis_mm = flank_end_mm + FILLET_MM + 0.25 * perimeter_mm
    for _ in range(6):
        main = _crossing(evaluate, axis_mm, turn, lean)
        axis_mm += flank_end_mm + FILLET_MM - _first_touch(evaluate, main, axis_mm)
    main = _crossing(evaluate, axis_mm, turn, lean)
    arm = Arm(evaluate, axis_mm, perimeter_mm)
    return joined(main, [arm], fillet_mm=FILLET_MM, edge_mm=edge_mm, rng=rng), axis_mm


def _crossing(evaluate: Evaluate, axis_mm: float, turn: float, lean: float) -> ArcTube:
    """A straight round tube across the tube at ``axis_mm``, fatter than it."""
    turns = np.linspace(0.0, 1.0, 180, endpoint=False)
    ring, before = (evaluate(np.full(180, at), turns)[0] for at in (axis_mm, axis_mm - 1.0))
    centre, along = ring.mean(axis=0), ring.mean(axis=0) - before.mean(axis=0)
    along /= np.linalg.norm(along)
    half_width = float(np.linalg.norm(ring - centre, axis=1).max())
    square = np.cross(along, ring[0] - centre)
    square /= np.linalg.norm(square)
    across = np.cos(turn) * square + np.sin(turn) * np.cross(along, square)
    direction = np.cos(lean) * across + np.sin(lean) * along
    radius, half = 1.15 * half_width + 8.0, half_width + _OVERHANG_MM
    return ArcTube(
        tuple(centre - half * direction),
        tuple(direction),
        tuple(along),
        2.0 * half,
        (radius, radius),
        (radius, radius),
    )


def _first_touch(evaluate: Evaluate, main: ArcTube, axis_mm: float) -> float:
    """The first length along the tube at which a line of it enters the crossing tube."""
    radius = main.half_axes_start_mm[0]
    along, around = np.meshgrid(
        np.arange(axis_mm - 1.5 * radius, axis_mm, 0.05), np.linspace(0.0, 1.0, 120, endpoint=False)
    )
    level = main.unroll(evaluate(along.ravel(), around.ravel())[0])[2]
    return float(along.ravel()[level < 1.0].min())
