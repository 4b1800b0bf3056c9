"""What a stock check takes and what it gives."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gaploft.scan.model import Note, ScanSource
from gaploft.tube.axes import Axes

Floats = NDArray[np.float64]

#: The stages of one check, in order.
STOCK_STAGES = ("read", "align", "map", "judge", "write")

#: What is to be done at a place; their numbers are the values of ``Stock.label``.
LABELS = ("unseen", "grind", "leave", "undecided", "fill")
UNSEEN, GRIND, LEAVE, UNDECIDED, FILL = range(5)

Stage = Literal["laid-up", "machined"]
Verdict = Literal["conforming", "not conforming", "undecided"]


@dataclass(frozen=True)
class TargetSkin:
    """The surface to be machined, and what is known of it; all in mm and in one frame.

    Attributes
    ----------
    vertices_mm, normals : (n, 3) float64, and outward unit normals of the smooth surface
    faces : (m, 3) int32, anticlockwise seen from outside
    band95_mm : (n,) half width of the 95 % band about the original surface; None where nobody knows
    zone : (n,) uint8, 0 intact overlap, 1 rebuilt; None where nobody knows
    depth_mm : (n,) depth below the outer surface; None where nobody knows
    flank_points_mm, flank_normals : (k, 3) intact outer surface beyond the target, to line a part up on
    shape : (n_u, n_v) when the vertices are rings of a tube, so that places get station and angle; None for a
        patch, and where nobody knows
    """

    vertices_mm: Floats
    faces: NDArray[np.int32]
    normals: Floats
    band95_mm: Floats | None = None
    zone: NDArray[np.uint8] | None = None
    depth_mm: Floats | None = None
    flank_points_mm: Floats | None = None
    flank_normals: Floats | None = None
    shape: tuple[int, int] | None = None


@dataclass(frozen=True)
class StockSettings:
    """What is asked of the part, in mm.

    Attributes
    ----------
    tolerance_mm : the part may lie so far above or below the target (0.1: common practice, no source)
    lower_mm, upper_mm : limits that differ from minus and plus the tolerance; infinite for none
    uncertainty_mm : standard uncertainty of scanner, frame and machine together, as the shop knows it. 0.02
        is the low end of what good optical scanners are assumed to reach (common practice, no source)
    align : measure the part where its alignment puts it, and not where its file has it
    reach_mm : what lies further from the target belongs to something else
    stage : whether the part is to be machined yet or has been
    """

    tolerance_mm: float = 0.1
    lower_mm: float | None = None
    upper_mm: float | None = None
    uncertainty_mm: float = 0.02
    align: bool = False
    reach_mm: float = 5.0
    stage: Stage = "laid-up"

    @property
    def limits_mm(self) -> tuple[float, float]:
        """Lowest and highest stock that conform."""
        lower = -self.tolerance_mm if self.lower_mm is None else self.lower_mm
        upper = self.tolerance_mm if self.upper_mm is None else self.upper_mm
        return lower, upper


@dataclass(frozen=True)
class Alignment:
    """How the part lies against where the intact flanks ask for it, about the middle of the target.

    Attributes
    ----------
    offset_mm, angle_deg : sideways and tilt; ``twist_deg`` about the tube and ``slide_mm`` along it
    *_u_* : their standard uncertainties; None, as the value, where the flanks don't show it
    rms_mm : robust residual on the flanks once the part is moved
    points, share : flank points that were met, and the share of them that count
    matrix : (4, 4) the motion that puts the measured part right, mm, points as columns
    unseen : directions that the flanks don't show; nothing is moved in these
    significant : more than noise explains
    on : "flanks", or "overlap" of the target where there are no flanks
    moves_mm : root mean square by which the motion moves the flanks along their normals
    axes, covariance : point and directions of the six steps, and their covariance (6, 6), mm^2
    """

    offset_mm: float
    offset_u_mm: float
    angle_deg: float
    angle_u_deg: float
    twist_deg: float | None
    twist_u_deg: float | None
    slide_mm: float | None
    slide_u_mm: float | None
    rms_mm: float
    points: int
    share: float
    matrix: Floats
    unseen: tuple[str, ...]
    significant: bool
    applied: bool
    on: Literal["flanks", "overlap"]
    moves_mm: float
    axes: Axes
    covariance: Floats


@dataclass(frozen=True)
class LowSpot:
    """One place where laminate is missing; ``at_mm`` is where it is lowest.

    ``station_mm`` runs along the target's rings and ``angle_deg`` around them from their first line.
    """

    area_mm2: float
    depth_mm: float
    at_mm: tuple[float, float, float]
    station_mm: float | None = None
    angle_deg: float | None = None


@dataclass(frozen=True)
class Budget:
    """Standard uncertainties of the stock at one place, mm, each the largest over the target.

    ``noise_mm`` is the scan's own at a point and ``correlation_mm`` how far it goes together; the others
    are what is left in the mean over the area that is judged, and from the target, the alignment and the
    shop. ``combined_mm`` is the median of their root of squares.
    """

    noise_mm: float
    correlation_mm: float
    mean_mm: float
    target_mm: float
    alignment_mm: float
    shop_mm: float
    combined_mm: float
    guard_mm: float


@dataclass(frozen=True)
class Decision:
    """The part against its limits: areas in mm^2 by label, and the whole of it."""

    area_mm2: dict[str, float]
    verdict: Verdict
    lower_mm: float
    upper_mm: float
    rule: str

    @property
    def within_tolerance(self) -> bool:
        """Whether the part as a whole was shown to conform."""
        return self.verdict == "conforming"


@dataclass(frozen=True)
class Stock:
    """A measured part against its target.

    Attributes
    ----------
    stock_mm : (n,) signed shortest distance of the part at the target's vertices, positive where there is
        surplus; NaN where the scan did not see
    seen : (n,) bool
    label : (n,) uint8, numbers of ``LABELS``
    surplus_volume_mm3 : between target and part where the part lies above
    surplus_max_mm, surplus_at_mm : greatest surplus, as a mean over a small area, and where
    low_spots : the deepest first
    covered_fraction : share of the target's area that the scan saw
    """

    settings: StockSettings
    source: ScanSource
    stock_mm: Floats
    seen: NDArray[np.bool_]
    label: NDArray[np.uint8]
    area_mm2: float
    covered_fraction: float
    surplus_volume_mm3: float
    surplus_max_mm: float
    surplus_at_mm: tuple[float, float, float] | None
    surplus_area_mm2: float
    low_spots: tuple[LowSpot, ...]
    low_volume_mm3: float
    decision: Decision
    budget: Budget
    alignment: Alignment | None
    notes: tuple[Note, ...] = ()
    distribution_mm: dict[str, float] = field(default_factory=dict)

    @property
    def low_area_mm2(self) -> float:
        """Area of all low spots together."""
        return float(sum(spot.area_mm2 for spot in self.low_spots))

    @property
    def low_max_mm(self) -> float:
        """Depth of the deepest low spot, 0 where there is none."""
        return max((spot.depth_mm for spot in self.low_spots), default=0.0)
