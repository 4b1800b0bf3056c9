"""What is known of a donor once it lies on the broken tube."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.surface.shape import Shape

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class PlacedFit:
    """How a donor lies on the flanks, in plain numbers.

    Attributes
    ----------
    matrix : rows of the 4 x 4 motion that carries the donor (mirrored first, where it is) into the frame of
        the broken scan, mm
    reversed : the donor was found to run the other way
    misfit_mm : what the trusted points of the flanks are off the donor: 1.4826 times the median distance,
        which is the standard deviation of normal noise where nothing else is off
    rms_mm : the same distances, root mean square of the points that count
    coat_mm : how much further out the tube lies than the donor all over, as under another coat of paint;
        misfit and rms are without it, and 0 is told where nothing speaks for one
    share : how many points of the flanks count
    flank_mm : intact tube on each side that the donor covers
    offset_u_mm, angle_u_deg, twist_u_deg, slide_u_mm : standard uncertainty of how it lies: sideways,
        between the axes, about the axis and along it; None where the flanks do not show it
    free : which of "twist" and "slide" the flanks leave open; the damage looks the same for all of them, or
        a mark decided
    marked : a mark decided
    other_ways : further placements that fit the flanks as well, and give the same shape over the damage
    """

    matrix: tuple[tuple[float, ...], ...]
    reversed: bool
    misfit_mm: float
    rms_mm: float
    share: float
    flank_mm: tuple[float, float]
    offset_u_mm: float
    angle_u_deg: float
    twist_u_deg: float | None
    slide_u_mm: float | None
    free: tuple[str, ...] = ()
    marked: bool = False
    other_ways: int = 0
    coat_mm: float = 0.0


@dataclass(frozen=True)
class Placement:
    """A donor in its place: its shape in the frame of the broken scan, stations running as the broken
    tube's do, with the uncertainty of the placement in its spread."""

    shape: Shape
    fit: PlacedFit


@dataclass(frozen=True)
class Mark:
    """One place seen on both tubes: (3,) in the broken scan, (3,) in the donor's (mirrored, where it is).

    ``doubt_mm`` is the standard uncertainty of clicking it.
    """

    on_tube_mm: Floats
    on_donor_mm: Floats
    doubt_mm: float = 0.5
