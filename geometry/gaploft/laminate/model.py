"""Wall and bed of a repair: arrays, and the plain numbers that the report states of them."""

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from gaploft.job import BedSettings
from gaploft.laminate.hole import Hole
from gaploft.laminate.solid import Skin
from gaploft.scan.model import Note
from gaploft.target.readings import Over

Floats = NDArray[np.float64]
Triangles = NDArray[np.int32]


class LayersOver(Protocol):
    """What is asked of layers here, both functions of (u, v) in mm.

    ``depth`` is how far the target lies below the rebuilt outer surface, ``coats`` the part of it that is
    paint and filler: the bare laminate lies that far below.
    """

    @property
    def depth(self) -> Over:
        """Depth of the target below the outer surface."""

    @property
    def coats(self) -> Over:
        """Paint and filler alone."""


@dataclass(frozen=True)
class Place:
    """A place of the tube as a person at the bench finds it; ``point_mm`` is in the scan's frame."""

    station_mm: float
    angle_deg: float
    point_mm: tuple[float, float, float]


@dataclass(frozen=True)
class SectionSummary:
    """The solid of the missing section; its volume is that of the mesh, by the divergence theorem."""

    length_mm: float
    volume_mm3: float
    outer_area_mm2: float
    inner_area_mm2: float
    watertight: bool


@dataclass(frozen=True)
class WallSummary:
    """The wall in numbers.

    Attributes
    ----------
    least_mm, most_mm : thickness of the laminate over the target
    source : "typed", or how many readings it was drawn from
    share_allowed : of the wall, that the layers or the band may take
    share_taken_most : largest share of the wall that is cut out of the laminate
    left_least_mm, left_least_at : least laminate under the target once that is cut, and where
    band_share_most : largest share that the half width of the 95 % band is of the wall
    """

    least_mm: float
    most_mm: float
    source: str
    share_allowed: float
    share_taken_most: float
    left_least_mm: float
    left_least_at: Place
    band_share_most: float
    section: SectionSummary


@dataclass(frozen=True)
class Wall:
    """The laminate's wall under a target.

    Attributes
    ----------
    over : thickness of the laminate, without paint and filler, as a function of (u, v)
    thickness_mm, left_mm, share : (n,) at the target's vertices: thickness, what is left of it once the
        target is cut, and the share of it that is taken
    stations_mm : first and last parameter u of the target
    inner : inner surface of the tube over the length of the target, turned away from the tube's axis: the
        surface of a mandrel or a blown-up bladder that fills the tube
    section : watertight solid of the laminate between the rebuilt stations, outer surface without coats
    """

    over: Over
    thickness_mm: Floats
    left_mm: Floats
    share: Floats
    stations_mm: tuple[float, float]
    inner: Skin
    section: Skin
    summary: WallSummary
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True)
class BedSummary:
    """The bed in numbers.

    Attributes
    ----------
    hole_length_mm : length of the hole along the tube, cut back
    taper_least_mm, taper_most_mm : from the hole's edge to the bed's, along the surface of the laminate
    area_mm2 : of the ground surface, upright walls of steps included
    removed_mm3 : laminate ground off beside the hole, without paint and filler
    slope_most_deg : steepest against the tube's surface; 90 where there are steps
    reaches_mm : how far along the tube the bed runs beyond the 'from' and the 'to' end of the damage
    n_steps : terraces, None for a ratio
    chord_error_mm : largest measured distance between the mesh and the smooth bed
    """

    kind: Literal["ratio", "steps"]
    ratio: float | None
    step_mm: float | None
    cut_back_mm: float
    hole_length_mm: float
    taper_least_mm: float
    taper_most_mm: float
    area_mm2: float
    removed_mm3: float
    slope_most_deg: float
    reaches_mm: tuple[float, float]
    n_steps: int | None
    chord_error_mm: float


@dataclass(frozen=True)
class Bed:
    """The surface to be ground before the lay-up, from the inner surface at the hole to the bare laminate.

    Attributes
    ----------
    hole : the hole's edge; ``hole.beyond(u, v)`` is the distance from it in mm along the surface of the bare
        laminate, negative inside the hole
    coats : paint and filler over the laminate, as a function of (u, v), mm
    vertices_mm : (n, 3), an open mesh: two sleeves, or a plate with a hole
    triangles : (k, 3), anticlockwise seen from outside
    uv : (n, 2) parameters of the vertices on the rebuilt outer surface
    depth_mm : (n,) how far they lie below it, paint and filler included
    beyond_mm : (n,) their distance from the hole's edge
    stations_mm : first and last parameter u of the bed's edge
    """

    settings: BedSettings
    hole: Hole
    coats: Over
    vertices_mm: Floats
    triangles: Triangles
    uv: Floats
    depth_mm: Floats
    beyond_mm: Floats
    stations_mm: tuple[float, float]
    summary: BedSummary
    notes: tuple[Note, ...] = ()
