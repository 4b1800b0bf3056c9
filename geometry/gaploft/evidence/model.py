"""What is known of how good a rebuilt surface is: plain numbers, as the report states them."""

from dataclasses import dataclass


@dataclass(frozen=True)
class GapSize:
    """The gap that was bridged, all in millimetres; ``flank_mm`` is the trusted length on each side."""

    length_mm: float
    diameter_mm: float
    flank_mm: tuple[float, float]


@dataclass(frozen=True)
class FitQuality:
    """Residual of the surface on the trusted intact scan."""

    rms_mm: float
    noise_mm: float
    points: int


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
    """Half width of the 95 % band over the rebuilt zone."""

    median: float
    max: float


@dataclass(frozen=True)
class Seam:
    """Surface against intact scan at the rims, the worse of both."""

    step_mm: float
    angle_deg: float


@dataclass(frozen=True)
class Halves:
    """How far one half of the tube is from continuing the other."""

    offset_mm: float
    angle_deg: float
    twist_deg: float
    significant: bool


@dataclass(frozen=True)
class Evidence:
    """All of the above for one rebuild."""

    gap: GapSize
    fit: FitQuality
    blank_test: BlankTest
    band95_mm: BandSummary
    seam: Seam
    halves: Halves
