"""One way to the lost surface, and what it gave."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gaploft.donor.correct import Correction
from gaploft.donor.model import PlacedFit
from gaploft.evidence.assess import Assessed
from gaploft.evidence.reseat import HalvesFit
from gaploft.job_sources import WayName
from gaploft.scan.model import Note
from gaploft.surface.shape import Shape
from gaploft.tube.model import TubePoints

Floats = NDArray[np.float64]
Verdict = Literal["ready", "check", "refused"]

TITLES: dict[WayName, str] = {
    "loft": "loft from the flanks",
    "donor": "spare section",
    "mirror": "opposite side",
    "shelf": "tube from the shelf",
}


@dataclass(frozen=True)
class MirrorFound:
    """The mirror plane and how the sides differ.

    Attributes
    ----------
    point_mm, normal : (3,) of the plane, in the scan's frame
    given : it was told, not found
    rms_mm, share : of the scan laid over its own reflection: what is left where it fits, and how much of it
        does; None where the plane was given
    offset_mm, angle_deg : how far the tube lies from where the reflection of its opposite does
    shape_mm : what is left between both sides once that is taken out, on the intact stretch
    """

    point_mm: tuple[float, ...]
    normal: tuple[float, ...]
    given: bool
    rms_mm: float | None
    share: float | None
    offset_mm: float
    angle_deg: float
    shape_mm: float


@dataclass(frozen=True)
class ShelfCandidate:
    """One tube of the shelf that was tried; ``misfit_mm`` is what the flanks are off it."""

    name: str
    file: str
    misfit_mm: float
    mirrored: bool


@dataclass(frozen=True)
class ShelfFound:
    """What the shelf held for this tube."""

    candidates: tuple[ShelfCandidate, ...]
    searched: int
    too_short: int
    skipped: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Way:
    """One way, as far as it led.

    Attributes
    ----------
    label, sha256 : which donor, for people: name of its file, and of its bytes the SHA-256
    tube : the broken tube with stations and angles as this way counts them
    shape : what the fit departs from; None for the loft
    placed : how the donor lies on the flanks
    limit_mm : the largest correction that is allowed
    fitted, judged, correction : the surface, its evidence, and how far the shape was changed
    verdict, notes : of the evidence; ``refused`` says why there is none, or why it does not do
    """

    name: WayName
    label: str = ""
    sha256: str | None = None
    tube: TubePoints | None = None
    shape: Shape | None = None
    placed: PlacedFit | None = None
    limit_mm: float = float("inf")
    mirror: MirrorFound | None = None
    shelf: ShelfFound | None = None
    fitted: HalvesFit | None = None
    judged: Assessed | None = None
    correction: Correction | None = None
    verdict: Verdict = "refused"
    notes: tuple[Note, ...] = ()
    refused: str | None = None

    @property
    def usable(self) -> bool:
        """Whether a target can be cut from it."""
        return self.verdict != "refused" and self.judged is not None


@dataclass(frozen=True)
class Difference:
    """How far the surfaces of two ways are apart over the damage, along the normals of the first.

    ``at_mm`` (k,) are stations of the first, ``off_mm`` (k, m) where the second lies above it.
    """

    first: WayName
    second: WayName
    at_mm: Floats
    off_mm: Floats
    max_mm: float
    rms_mm: float


@dataclass(frozen=True)
class Compared:
    """All ways that were tried, the one that is used and the one that the rule recommends."""

    ways: tuple[Way, ...]
    used: WayName
    recommended: WayName | None
    differences: tuple[Difference, ...] = ()
    mixed: tuple[WayName, ...] = ()

    def way(self, name: str) -> Way:
        """One of them by its name."""
        return next(way for way in self.ways if way.name == name)
