"""What is known of how good a rebuilt surface is: plain numbers, as the report states them."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class GapSize:
    """The gap that was bridged, all in millimetres; ``flank_mm`` is the trusted length on each side.

    ``shape_mm`` is the shortest wave along the tube that its bends or its section show: how far what is seen
    speaks for what is not.
    """

    length_mm: float
    diameter_mm: float
    flank_mm: tuple[float, float]
    shape_mm: float = float("inf")


@dataclass(frozen=True)
class FitQuality:
    """Residual of the surface on the trusted intact scan.

    ``unseen_deg`` is the widest strip along the whole tube that no trusted point lies in.
    """

    rms_mm: float
    noise_mm: float
    points: int
    unseen_deg: float = 0.0


@dataclass(frozen=True)
class BlankTest:
    """Intact stretches blanked and rebuilt, with weights that these stretches did not choose."""

    count: int
    rms_mm: float
    p95_mm: float
    max_mm: float
    length_mm: float


@dataclass(frozen=True)
class BandSummary:
    """Half width of the 95 % band over the rebuilt zone.

    ``bound_rms`` is the error that the noise of the scan alone leaves in this fit, root mean square: the
    information in the scan allows no less.
    """

    median: float
    max: float
    bound_rms: float = float("nan")


@dataclass(frozen=True)
class Seam:
    """Surface against intact scan at the rims, the worse of both, with standard uncertainties."""

    step_mm: float
    angle_deg: float
    step_u_mm: float = 0.0
    angle_u_deg: float = 0.0


_NOT_KNOWN = float("nan")


@dataclass(frozen=True)
class Seating:
    """How the halves continue each other once one of them is re-seated."""

    offset_mm: float
    offset_u_mm: float
    angle_deg: float
    angle_u_deg: float
    significant: bool


@dataclass(frozen=True)
class Halves:
    """How far the 'to' half of the tube is from continuing the 'from' half, about the middle of the gap.

    Attributes
    ----------
    offset_mm, angle_deg : sideways, and between the axes; with ``..._u_...``, the standard uncertainty in one
        direction
    twist_deg, slide_mm : about the axis and along it, positive as seen along the way from 'from' to 'to';
        not a number where the tube's shape does not show them
    significant : the motion is more than noise and shape explain
    not_seen : which of "twist" and "slide" the tube's shape does not show
    mode : what was asked for, "hold" or "reseat"
    moved : which half was re-seated, "from" or "to"; None when none was
    matrix : rows of the 4 x 4 motion to apply to that half, scan frame, mm
    after : the same question asked of the re-seated tube
    """

    offset_mm: float = _NOT_KNOWN
    angle_deg: float = _NOT_KNOWN
    twist_deg: float = _NOT_KNOWN
    significant: bool = False
    offset_u_mm: float = _NOT_KNOWN
    angle_u_deg: float = _NOT_KNOWN
    twist_u_deg: float = _NOT_KNOWN
    slide_mm: float = _NOT_KNOWN
    slide_u_mm: float = _NOT_KNOWN
    not_seen: tuple[str, ...] = ()
    mode: Literal["hold", "reseat"] = "hold"
    moved: Literal["from", "to"] | None = None
    matrix: tuple[tuple[float, ...], ...] | None = None
    after: Seating | None = None


@dataclass(frozen=True)
class Evidence:
    """All of the above for one rebuild."""

    gap: GapSize
    fit: FitQuality
    blank_test: BlankTest
    band95_mm: BandSummary
    seam: Seam
    halves: Halves

    @property
    def bound_rms_mm(self) -> float:
        """Error that noise alone leaves in the rebuilt zone, root mean square, mm."""
        return self.band95_mm.bound_rms
