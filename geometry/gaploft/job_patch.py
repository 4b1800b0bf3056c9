"""What a job says of a patch: where the surroundings are no tube, and what the surface is to honour."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

#: When a patch is made: where no tube is found or the loft does not hold; always; or never.
PATCH_USES = ("auto", "always", "never")
PatchUse = Literal["auto", "always", "never"]


@dataclass(frozen=True)
class Crease:
    """An edge that runs through the damage, drawn by hand.

    Attributes
    ----------
    points_mm : (k, 3) along the edge, k >= 2, in the scan's frame
    radius_mm : radius it is rounded with; 0 for a sharp edge
    """

    points_mm: NDArray[np.float64]
    radius_mm: float = 0.0


@dataclass(frozen=True)
class PatchSettings:
    """How a patch is made.

    Attributes
    ----------
    use : "auto", "always" or "never"
    outlines_mm : closed loops (k, 3) drawn around the damage, instead of a mask of vertices
    creases : edges that the patch honours
    guides_mm : (k, 3) places that the patch is to pass through
    """

    use: PatchUse = "auto"
    outlines_mm: tuple[NDArray[np.float64], ...] = ()
    creases: tuple[Crease, ...] = ()
    guides_mm: NDArray[np.float64] | None = None

    def same_as(self, other: "PatchSettings") -> bool:
        """Whether both ask for exactly the same."""
        mine, theirs = self._arrays(), other._arrays()
        plain = (self.use, [crease.radius_mm for crease in self.creases])
        if plain != (other.use, [crease.radius_mm for crease in other.creases]) or len(mine) != len(theirs):
            return False
        return all(np.array_equal(a, b) for a, b in zip(mine, theirs, strict=True))

    def same_fit_as(self, other: "PatchSettings") -> bool:
        """Whether both ask for the same but for guides, which a patch that was fitted is bent to."""
        return replace(self, guides_mm=None).same_as(replace(other, guides_mm=None))

    def _arrays(self) -> list[NDArray[np.float64]]:
        guides = np.zeros((0, 3)) if self.guides_mm is None else self.guides_mm
        return [guides, *(crease.points_mm for crease in self.creases), *self.outlines_mm]
