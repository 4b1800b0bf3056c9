"""One job: what the technician asks for, in millimetres, checked at the door."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

#: Millimetres in one unit of a scan file (exact: the inch is 25.4 mm by international agreement of 1959).
MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}


@dataclass(frozen=True)
class Damage:
    """Where the tube is broken, in the scan's frame.

    ``from_mm`` and ``to_mm`` are two points near the tube's centreline at the two ends of the
    damage. ``source_vertices`` are damaged vertices, numbered as in the scan file, when only one
    side of the tube is damaged; None when the damage goes all the way round.
    """

    from_mm: NDArray[np.float64]
    to_mm: NDArray[np.float64]
    source_vertices: NDArray[np.int64] | None = None

    def same_as(self, other: "Damage") -> bool:
        """Whether both are exactly the same place."""
        mine, theirs = self.source_vertices, other.source_vertices
        if (mine is None) != (theirs is None) or not np.array_equal(self.from_mm, other.from_mm):
            return False
        sided = mine is None or theirs is None or np.array_equal(mine, theirs)
        return sided and np.array_equal(self.to_mm, other.to_mm)


@dataclass(frozen=True)
class TargetSettings:
    """How the target is cut out of the surface, all in millimetres."""

    chord_tolerance_mm: float = 0.005
    overlap_mm: float = 10.0


@dataclass(frozen=True)
class Layers:
    """What lies, or will lie, over the surface to be machined, in millimetres."""

    paint_mm: float = 0.0
    cover_mm: float = 0.0

    @property
    def total_mm(self) -> float:
        """Depth of the machined target below the rebuilt outer surface."""
        return self.paint_mm + self.cover_mm


@dataclass(frozen=True)
class HalvesSettings:
    """What to do when the halves of a broken tube have moved against each other.

    ``mode`` "hold" rebuilds the tube as scanned; "reseat" puts the half at the ``move`` end of the damage
    back to where the other one asks for it, and rebuilds the tube in the frame of the half that stays.
    """

    mode: Literal["hold", "reseat"] = "hold"
    move: Literal["from", "to"] = "to"


@dataclass(frozen=True)
class Job:
    """Everything one rebuild needs beside the scan itself."""

    damage: Damage
    target: TargetSettings = field(default_factory=TargetSettings)
    layers: Layers = field(default_factory=Layers)
    halves: HalvesSettings = field(default_factory=HalvesSettings)
