"""What stands on the flanks of a tube: bosses, cable stops, stickers. Seeded; lengths in mm."""

import numpy as np
from numpy.typing import NDArray

from irregular import Floats
from scan_faults import ScanFaults

Mask = NDArray[np.bool_]


def bosses(points: Floats, flank: NDArray[np.bool_], faults: ScanFaults, rng: np.random.Generator) -> Floats:
    """Height of small bosses, anywhere on the flanks."""
    height = np.zeros(len(points))
    for centre in points[rng.choice(np.flatnonzero(flank), faults.bosses)]:
        away = np.linalg.norm(points - centre, axis=1)
        height += 1.5 * np.clip((3.0 - away) / 0.8, 0.0, 1.0)
    return height


def cable_stops(
    points: Floats, along: Floats, sides: tuple[Mask, Mask], faults: ScanFaults, rng: np.random.Generator
) -> Floats:
    """Height of cable stops, 12 along the tube, 6 across, 5 high, on the two ``sides`` in turn."""
    height = np.zeros(len(points))
    for number in range(faults.cable_stops):
        foot = rng.choice(np.flatnonzero(sides[number % 2]))
        lengthwise = along - along[foot]
        away = np.linalg.norm(points - points[foot], axis=1)
        crosswise = np.sqrt(np.clip(away**2 - lengthwise**2, 0.0, None))
        inwards = np.minimum(6.0 - np.abs(lengthwise), 3.0 - crosswise)
        height = np.maximum(height, 5.0 * np.clip(inwards / 0.8, 0.0, 1.0))
    return height


def stickers(
    along: Floats, around: Floats, sides: tuple[Mask, Mask], faults: ScanFaults, rng: np.random.Generator
) -> Floats:
    """Height of stickers, a quarter of the way round: one in a known place, the others anywhere.

    The first lies on a fifth of both flanks' length, counted from the start of the tube.
    """
    low, high = np.quantile(along[sides[0] | sides[1]], (0.05, 0.25))
    height = np.where((along > low) & (along < high) & (around > 0.3) & (around < 0.55), 1.0, 0.0)
    for number in range(1, faults.stickers):
        low, high = np.quantile(along[sides[number % 2]], np.array([0.0, 0.4]) + rng.uniform(0.1, 0.5))
        turn = (around - rng.random()) % 1.0
        height[(along > low) & (along < high) & (turn < 0.25)] = 1.0
    return faults.sticker_mm * height
