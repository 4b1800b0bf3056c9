"""How a tube breaks open: ragged rims all round or on one side, crushed, bulged, lifted.

Everything is seeded; lengths are millimetres. ``along_mm`` runs along the tube, ``around`` is a share
of one turn, 0 to 1.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from irregular import Floats
from scan_faults import ScanFaults


def broken_open(
    along_mm: Floats,
    around: Floats,
    gap_mm: tuple[float, float],
    *,
    faults: ScanFaults,
    rng: np.random.Generator,
) -> tuple[NDArray[np.bool_], Floats]:
    """Which vertices are left outside a gap with ragged rims, and the height of the damage at the rims."""
    keep, height = np.ones(len(along_mm), dtype=bool), np.zeros(len(along_mm))
    for end, side in zip(gap_mm, (-1.0, 1.0), strict=True):
        rim = end + side * faults.ragged_mm * ring_noise(around, rng=rng)
        beyond = side * (along_mm - rim)
        keep &= (beyond > 0) | (side * (along_mm - np.mean(gap_mm)) < 0)
        height += damaged_rim(beyond, around, faults, rng)
    return keep, height


def damaged_rim(beyond: Floats, around: Floats, faults: ScanFaults, rng: np.random.Generator) -> Floats:
    """Height of the damage near one rim; ``beyond`` is the distance from the rim outwards."""
    lumps = ring_noise(around, rng=rng, waves=5)
    sign = {"clean": 0.0, "crushed": -1.0, "bulged": 1.0, "mixed": 2.0 * lumps - 1.0}
    sign |= {"lifted": 0.0, "torn": sign["mixed"]}
    near = np.clip(1.0 - beyond / (faults.rim_mm * (0.6 + 0.4 * lumps)), 0.0, 1.0)
    near[beyond < 0.0] = 0.0  # the other half of the tube
    height = np.asarray(sign[faults.rim] * faults.rim_depth_mm * (0.5 + 0.5 * lumps) * near**1.5)
    if faults.rim not in ("lifted", "torn"):
        return height
    share = _flap(around, rng)
    return np.asarray((1.0 - share) * height + share * faults.rim_depth_mm * peeled(beyond, faults.rim_mm))


def peeled(beyond: Floats, reach_mm: float) -> Floats:
    """Height of a ply that has come off up to ``reach_mm`` from the rim, 1 at the rim.

    The loose ply is a beam clamped where it still holds and pushed up at its free end by the broken
    fibres: ``(3 x**2 - x**3) / 2`` from the clamp (elementary beam theory). It leaves the tube without
    a kink and is steepest at the rim, so that neither the height nor the slope there can be trusted.
    """
    x = np.where(beyond < 0.0, 0.0, np.clip(1.0 - beyond / reach_mm, 0.0, 1.0))
    return np.asarray(0.5 * x**2 * (3.0 - x))


def _flap(around: Floats, rng: np.random.Generator) -> Floats:
    """Where a flap is up: 1 over most of 110 to 160 degrees of the turn, falling to 0 at its sides."""
    centre, half = rng.random(), 0.5 * rng.uniform(110.0, 160.0) / 360.0
    inwards = (half - np.abs((around - centre + 0.5) % 1.0 - 0.5)) / (0.3 * half)
    x = np.clip(inwards, 0.0, 1.0)
    return np.asarray(x**2 * (3.0 - 2.0 * x))


def ring_noise(around: Floats, *, rng: np.random.Generator, waves: int = 14) -> Floats:
    """A jagged periodic curve around the tube, between 0 and 1."""
    order = np.arange(1, waves + 1)
    phase = rng.uniform(0, 2 * np.pi, waves)
    size = rng.normal(size=waves) / np.sqrt(order)
    ring = np.linspace(0.0, 1.0, 720, endpoint=False)

    def curve(share: Floats) -> Floats:
        return np.asarray(np.cos(2 * np.pi * share[:, None] * order + phase) @ size)

    low, high = curve(ring).min(), curve(ring).max()
    return np.clip((curve(around) - low) / (high - low), 0.0, 1.0)


@dataclass(frozen=True)
class HalfRound:
    """Damage over a part of the turn.

    ``keep``, ``marked`` and ``height`` are per vertex: left in the scan, marked as damaged by the
    technician, height of the damage. ``centre`` and ``share`` are the middle and the width of the
    damaged part, as shares of a turn.
    """

    keep: NDArray[np.bool_]
    marked: NDArray[np.bool_]
    height: Floats
    centre: float
    share: float


def half_broken(
    along_mm: Floats,
    around: Floats,
    gap_mm: tuple[float, float],
    perimeter_mm: float,
    *,
    faults: ScanFaults,
    rng: np.random.Generator,
) -> HalfRound:
    """Break a tube over a part of its turn: a hole with wreckage about it, and damaged rims beyond.

    Everything within the ragged border is marked. What lies deep inside is lost, the rest is pushed
    in by 1 to 4 mm and splintered; the surface beyond the border is damaged like any other rim.
    """
    share, centre = faults.half_round_deg / 360.0, rng.random()
    length = gap_mm[1] - gap_mm[0]
    aside = np.abs((around - centre + 0.5) % 1.0 - 0.5) - 0.5 * share
    past = np.maximum(gap_mm[0] - along_mm, along_mm - gap_mm[1])
    past -= faults.ragged_mm * ring_noise(around, rng=rng)
    across = aside * perimeter_mm - faults.ragged_mm * ring_noise(along_mm / (2.0 * length) % 1.0, rng=rng)
    corner = (past > 0.0) & (across > 0.0)
    beyond = np.where(corner, np.hypot(past, across), np.maximum(past, across))
    marked = beyond <= 0.0
    lumps = ring_noise(around, rng=rng, waves=5)
    deep = min(0.5 * length, 0.5 * share * perimeter_mm)
    lost = -beyond > (0.25 + 0.3 * lumps) * deep
    wreck = -(1.0 + 3.0 * lumps) * np.clip(-beyond / 3.0, 0.0, 1.0) + rng.normal(0.0, 0.2, len(beyond))
    height = np.where(marked, wreck, damaged_rim(beyond, around, faults, rng))
    return HalfRound(~lost, marked, height, centre, share)
