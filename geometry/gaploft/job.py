"""One job: what the technician asks for, in millimetres, checked at the door."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gaploft.job_patch import PatchSettings
from gaploft.job_sources import WaySettings

#: Millimetres in one unit of a scan file (exact: the inch is 25.4 mm by international agreement of 1959).
MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}


@dataclass(frozen=True)
class Damage:
    """Where the tube is broken, in the scan's frame.

    ``from_mm`` and ``to_mm`` are two points near the tube's centreline at the two ends of the
    damage. ``source_vertices`` are damaged vertices, numbered as in the scan file, when only one
    side of the tube is damaged; None when the damage goes all the way round. A patch does without the two
    points: both are then not a number, and ``source_vertices`` alone, or a drawn outline, says where it is.
    """

    from_mm: NDArray[np.float64]
    to_mm: NDArray[np.float64]
    source_vertices: NDArray[np.int64] | None = None

    @property
    def has_ends(self) -> bool:
        """Whether the two points were given, without which no tube can be followed."""
        return bool(np.isfinite(self.from_mm).all() and np.isfinite(self.to_mm).all())

    def same_as(self, other: "Damage") -> bool:
        """Whether both are exactly the same place."""
        mine, theirs = self.source_vertices, other.source_vertices
        if (mine is None) != (theirs is None):
            return False
        if not np.array_equal(self.from_mm, other.from_mm, equal_nan=True):
            return False
        sided = mine is None or theirs is None or np.array_equal(mine, theirs)
        return sided and np.array_equal(self.to_mm, other.to_mm, equal_nan=True)


@dataclass(frozen=True)
class TargetSettings:
    """How the target is cut out of the surface, all in millimetres."""

    chord_tolerance_mm: float = 0.005
    overlap_mm: float = 10.0


@dataclass(frozen=True)
class Reading:
    """A thickness in mm, measured at one place of the tube.

    The place is either ``station_mm`` along the tube from the 'from' end of the damage towards the 'to' end
    and ``angle_deg`` around it (see :class:`gaploft.target.places.Places`), or ``point_mm`` (3,) on its
    surface in the scan's frame.
    """

    value_mm: float
    station_mm: float = 0.0
    angle_deg: float = 0.0
    point_mm: tuple[float, float, float] | None = None


#: The same thickness all over, or readings to draw a map from.
Thickness = float | tuple[Reading, ...]


def largest(thickness: Thickness) -> float:
    """The thickness, or the largest of its readings, mm."""
    if isinstance(thickness, tuple):
        return max(reading.value_mm for reading in thickness)
    return thickness


@dataclass(frozen=True)
class Layers:
    """What lies, or will lie, over the surface to be machined, in millimetres.

    Paint and filler lie on the laminate and come off; cover and other plies are still to be laid.
    ``outside`` says what becomes of their sum beyond the rebuilt zone, over intact tube: "same" carries it
    on, "blend" lets it run out to nothing at the target's ends without a step, "step" ends it at the rim.
    ``tight`` says what to do where the surface bends too tightly for it: "refuse" the job or "trim" it there.
    """

    paint_mm: Thickness = 0.0
    filler_mm: Thickness = 0.0
    cover_mm: Thickness = 0.0
    other_mm: Thickness = 0.0
    outside: Literal["same", "blend", "step"] = "same"
    tight: Literal["refuse", "trim"] = "refuse"

    @property
    def table(self) -> dict[str, Thickness]:
        """Each layer by its name, from the outside in as they would lie."""
        return {
            "paint": self.paint_mm,
            "filler": self.filler_mm,
            "cover": self.cover_mm,
            "other": self.other_mm,
        }

    @property
    def total_mm(self) -> float:
        """Depth of the machined target below the rebuilt outer surface, each layer at its thickest."""
        return sum(largest(thickness) for thickness in self.table.values())


#: The layers that lie on the laminate already and come off before it is machined.
COATS = ("paint", "filler")


@dataclass(frozen=True)
class WallSettings:
    """Thickness of the intact laminate, without paint and filler, and the share of it that may be taken."""

    thickness_mm: Thickness
    share: float = 0.3


@dataclass(frozen=True)
class Ply:
    """Plies of one cloth, from the inside out.

    ``areal_weight_g_m2`` is that of the dry fibre, ``fibre_density_g_cm3`` of the fibre itself, ``fraction``
    the share of the fibre in the volume of the cured laminate; ``thickness_mm`` is a measured cured
    thickness, which goes before the one computed from them. ``angle_deg`` is the warp's against the tube.
    """

    name: str
    count: int = 1
    areal_weight_g_m2: float | None = None
    fibre_density_g_cm3: float | None = None
    fraction: float | None = None
    thickness_mm: float | None = None
    angle_deg: float = 0.0


@dataclass(frozen=True)
class BedSettings:
    """The surface to be ground before the lay-up, from the inner surface at the hole to the outer one.

    Attributes
    ----------
    ratio : length of the taper over its depth; or
    step_mm : length of one step, each one ply deep
    cut_back_mm : how far beyond the marked damage the hole is cut
    plies : what will be laid, from the inside out; needed for steps, and for patterns of the cloth
    lap_mm : how far the outermost ply runs on beyond the bed, over intact tube
    """

    ratio: float | None = None
    step_mm: float | None = None
    cut_back_mm: float = 0.0
    plies: tuple[Ply, ...] = ()
    lap_mm: float = 0.0


@dataclass(frozen=True)
class ReachSettings:
    """Radius of the ball end of the tool that is to follow the target."""

    tool_radius_mm: float


@dataclass(frozen=True)
class FrameSettings:
    """The frame of the machine: three points of it, or fixture spheres, as they lie in the scan.

    ``points_mm`` are its origin, a point on its x axis and one on the side of its y axis. ``spheres_mm`` are
    places near the centres of the spheres, ``radius_mm`` is theirs where it is known, and ``at_mm`` their
    centres in the machine's frame; without it the first three centres are taken as the points.
    """

    points_mm: NDArray[np.float64] | None = None
    spheres_mm: NDArray[np.float64] | None = None
    radius_mm: float | None = None
    at_mm: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class HalvesSettings:
    """What to do when the halves of a broken tube have moved against each other.

    ``mode`` "hold" rebuilds the tube as scanned; "reseat" puts the half at the ``move`` end of the damage
    back to where the other one asks for it, and rebuilds the tube in the frame of the half that stays.
    """

    mode: Literal["hold", "reseat"] = "hold"
    move: Literal["from", "to"] = "to"


#: Formats that a target can be written in beside STL and PLY.
FORMATS = ("3mf", "step")


@dataclass(frozen=True)
class Job:
    """Everything one rebuild needs beside the scan itself.

    ``zero_mm`` is a place of the tube in the scan's frame from which angles around it count.
    """

    damage: Damage
    target: TargetSettings = field(default_factory=TargetSettings)
    layers: Layers = field(default_factory=Layers)
    halves: HalvesSettings = field(default_factory=HalvesSettings)
    wall: WallSettings | None = None
    bed: BedSettings | None = None
    reach: ReachSettings | None = None
    frame: FrameSettings | None = None
    formats: tuple[str, ...] = ()
    zero_mm: NDArray[np.float64] | None = None
    ways: WaySettings = field(default_factory=WaySettings)
    patch: PatchSettings = field(default_factory=PatchSettings)
