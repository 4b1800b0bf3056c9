"""What is looked for on a shelf, and what is found."""

from dataclasses import dataclass
from pathlib import Path
from typing import Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from gaploft.donor.rings import Rings
from gaploft.shelf.model import Provenance
from gaploft.surface.shape import Shape

Floats = NDArray[np.float64]

#: A tube that the flanks are further off than this is another one, mm (common practice, no source: noise and
#: another coat of paint stay below).
FITS_MM = 0.15


class Fit(Protocol):
    """What laying a tube's surface onto the points of the broken one gives."""

    @property
    def misfit_mm(self) -> float:
        """How far the points lie off the tube, root mean square."""


F = TypeVar("F", bound=Fit)


@dataclass(frozen=True)
class Query:
    """What is known of the broken tube.

    Attributes
    ----------
    rings : its sections; those of the gap are bridged, and not seen
    gap_mm : stations between which nothing is known
    radius_mm : mean radius of its sections
    """

    rings: Rings
    gap_mm: tuple[float, float]
    radius_mm: float


@dataclass(frozen=True)
class Where:
    """How a tube of the shelf lies on the broken one.

    Attributes
    ----------
    matrix : (4, 4) carries the tube, as it is stored, into the frame of the broken one; it is mirrored in the
        plane of its first two axes before, if it has to be
    at_mm : how far along the tube, from its beginning, the middle of the gap is
    reversed : its stations run against those of the broken tube
    mirrored : its mirror image it is that fits
    """

    matrix: Floats
    at_mm: float
    reversed: bool
    mirrored: bool


@dataclass(frozen=True)
class Candidate(Generic[F]):
    """A tube of the shelf that could be the broken one.

    Attributes
    ----------
    misfit_mm : how far it is off the seen sections, root mean square; off the points, when they were asked
    shape : the tube, laid onto the broken one, with stations that run as the broken tube's do
    fit : what laying it onto the points gave
    """

    name: str
    path: Path
    provenance: Provenance
    misfit_mm: float
    where: Where
    shape: Shape
    fit: F | None


@dataclass(frozen=True)
class Found(Generic[F]):
    """What a search found.

    Attributes
    ----------
    candidates : the best first
    searched : how many tubes were on the shelf and could be read
    too_short : how many of them do not reach across the gap and some of both flanks
    skipped : names of files that can't be used, and a sentence on each
    """

    candidates: tuple[Candidate[F], ...]
    searched: int
    too_short: int
    skipped: tuple[tuple[str, str], ...]
