"""What a job says about other ways to the lost surface than the intact scan of the tube itself."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, get_args

WayName = Literal["loft", "donor", "mirror", "shelf"]
#: The ways: the tube's own flanks, a spare section, the opposite side, the shop's shelf.
WAYS: tuple[WayName, ...] = get_args(WayName)
Choice = Literal["loft", "donor", "mirror", "shelf", "best"]
CHOICES: tuple[Choice, ...] = get_args(Choice)

Point = tuple[float, float, float]

#: A part that has to be changed by more than this to meet both flanks is taken for another one, mm (common
#: practice, no source: paint, size tolerance and sag stay below).
USUAL_LIMIT_MM = 0.5


@dataclass(frozen=True)
class DonorSettings:
    """A scan of a spare section.

    Attributes
    ----------
    mirrored : it is the opposite side's part
    near_mm : a place on the tube that is meant, in the donor's own frame, where its scan holds several
    mark_mm : one place seen on both scans, first in the broken one's frame, then in the donor's own
    limit_mm : the largest correction that still leaves it the same part
    """

    mirrored: bool = False
    near_mm: Point | None = None
    mark_mm: tuple[Point, Point] | None = None
    limit_mm: float = USUAL_LIMIT_MM


@dataclass(frozen=True)
class MirrorSettings:
    """The opposite side in the same scan.

    ``plane_mm`` is a point of the mirror plane and its normal; None: it is found. ``near_mm`` is a place on
    the opposite tube, where it is to be told.
    """

    plane_mm: tuple[Point, Point] | None = None
    near_mm: Point | None = None
    limit_mm: float = USUAL_LIMIT_MM


@dataclass(frozen=True)
class ShelfSettings:
    """The shop's shelf: a folder of stored tubes.

    ``entry`` is the name of the one to take; None: the one that fits best. ``mirrored`` lets mirror images
    serve as well. ``save_as`` is the name under which the finished rebuild is put on the shelf.
    """

    folder: Path
    entry: str | None = None
    mirrored: bool = False
    limit_mm: float = USUAL_LIMIT_MM
    save_as: str | None = None
    search: bool = True


@dataclass(frozen=True)
class Region:
    """Stations, in mm from the 'from' end of the damage, between which another way is used."""

    from_mm: float
    to_mm: float
    use: WayName


@dataclass(frozen=True)
class WaySettings:
    """All of these, and which is used.

    ``use`` None takes what was asked for beside the loft: the spare section before the opposite side before
    the shelf.
    """

    donor: DonorSettings | None = None
    mirror: MirrorSettings | None = None
    shelf: ShelfSettings | None = None
    use: Choice | None = None
    regions: tuple[Region, ...] = field(default=())

    @property
    def others(self) -> tuple[WayName, ...]:
        """The ways asked for beside the loft."""
        asked: dict[WayName, bool] = {
            "donor": self.donor is not None,
            "mirror": self.mirror is not None,
            "shelf": self.shelf is not None and self.shelf.search,
        }
        return tuple(name for name, wanted in asked.items() if wanted)

    @property
    def chosen(self) -> Choice:
        """The way to use, or "best"."""
        if self.use is not None:
            return self.use
        return self.others[0] if self.others else "loft"

    def same_sources(self, other: "WaySettings") -> bool:
        """Whether both look in the same places."""
        mine, theirs = (self.donor, self.mirror, self.shelf), (other.donor, other.mirror, other.shelf)
        return mine == theirs
