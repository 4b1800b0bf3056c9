"""Wall and bed of a patch: as of a tube, without stations and angles."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.job import BedSettings
from gaploft.laminate.model import BedSummary, Place, WallSummary
from gaploft.laminate.solid import Skin
from gaploft.scan.model import Note

Floats = NDArray[np.float64]
Triangles = NDArray[np.int32]


@dataclass(frozen=True)
class PatchWall:
    """The laminate's wall under a patch.

    Attributes
    ----------
    thickness_mm, left_mm, share : (n,) at the target's vertices, as of :class:`gaploft.laminate.model.Wall`
    inner_mm : (n, 3) inner surface below them
    inner : inner surface of the part below the target, turned as the outer surface is
    section : watertight solid of the laminate over the rebuilt zone, outer surface without coats
    """

    thickness_mm: Floats
    left_mm: Floats
    share: Floats
    inner_mm: Floats
    inner: Skin
    section: Skin
    summary: WallSummary
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True)
class PatchBed:
    """The surface to be ground before the lay-up, from the inner surface at the hole to the bare laminate.

    Attributes
    ----------
    vertices_mm : (n, 3), an open mesh: a plate with a hole
    triangles : (k, 3), anticlockwise seen from outside
    depth_mm : (n,) how far the vertices lie below the outer surface, paint and filler included
    beyond_mm : (n,) their distance from the hole's edge
    summary : ``reaches_mm`` are the least and the greatest reach beyond the damage
    """

    settings: BedSettings
    vertices_mm: Floats
    triangles: Triangles
    depth_mm: Floats
    beyond_mm: Floats
    summary: BedSummary
    notes: tuple[Note, ...] = ()


def spot(point_mm: Floats) -> Place:
    """A place of a patch: its station and angle are no numbers, since it has none."""
    x, y, z = (float(value) for value in point_mm)
    return Place(float("nan"), float("nan"), (x, y, z))
