"""What is shown of a repair and how, kept in the scene."""

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, PointerProperty, StringProperty

from . import look, section_data
from .ways_state import WAYS

SHOWN = (
    ("NONE", "Plain", "Show the surface without values", "SHADING_SOLID", 0),
    (
        "SCAN",
        "Scan",
        "Distance of the scan from the surface, in millimetres: positive where the scan lies outside",
        "MOD_SHRINKWRAP",
        1,
    ),
    (
        "BAND",
        "Band",
        "Half width of the 95 % band, in millimetres: how well the surface is known there",
        "MOD_THICKNESS",
        2,
    ),
    ("ZONE", "Zone", "What is rebuilt and what is overlap over intact surface", "MOD_MASK", 3),
    ("HAND", "By Hand", "What was changed by hand, in millimetres along the surface's normal", "VIEW_PAN", 4),
    (
        "DEPTH",
        "Layers",
        "Depth of the target below the rebuilt outer surface, in millimetres: paint, plies and others",
        "MOD_SOLIDIFY",
        6,
    ),
    (
        "WALL",
        "Wall Left",
        "Laminate that is left under the target once it is cut, in millimetres",
        "MOD_OFFSET",
        7,
    ),
    (
        "REACH",
        "Reach",
        "Material that the tool leaves standing where it can't follow the target, in millimetres",
        "MOD_INSTANCE",
        8,
    ),
    (
        "STOCK",
        "Stock",
        "The measured part above the target, in millimetres: positive is surplus; grey was not seen",
        "MOD_DISPLACE",
        9,
    ),
    (
        "CORRECTION",
        "Changed",
        "How far the shape of another part was changed to meet both flanks, in millimetres: positive where "
        "the surface lies outside it",
        "MOD_MESHDEFORM",
        10,
    ),
    (
        "DIFFERENCE",
        "Differs",
        "How far another way's surface lies above the one that is used, in millimetres",
        "MOD_BOOLEAN",
        11,
    ),
    (
        "ORIGIN",
        "Base",
        "What a patch stands on: the loft of one of the tubes that meet, the fillet between two, or a fair "
        "surface of its own",
        "MOD_EDGESPLIT",
        12,
    ),
    (
        "STRIPES",
        "Stripes",
        "Mirrored stripes: where they kink or wave, the surface is not fair",
        "SEQ_CHROMA_SCOPE",
        5,
    ),
)
SCAN_LOOKS = (
    ("SOLID", "Solid", "Show the scan as it is"),
    ("GHOST", "Ghost", "Show the scan see-through behind the surface"),
    ("HIDDEN", "Hidden", "Do not show the scan"),
)


def _changed(show, _context):
    look.refresh(show.id_data)


def _section_changed(show, _context):
    section_data.want(show.id_data)


def _station(show):
    return show.section_share * section_data.length_mm(show.id_data)


def _set_station(show, station):
    length = section_data.length_mm(show.id_data)
    show.section_share = station / length if length > 0.0 else 0.0


class GAPLOFT_PG_show(bpy.types.PropertyGroup):
    """What is shown of the repair, and how"""

    shown: EnumProperty(
        name="Values", description="What the colours of the surface show", items=SHOWN, default="NONE"
    )
    tolerance_mm: FloatProperty(
        name="Tolerance (mm)",
        description="The colours run from minus to plus this many millimetres; what lies beyond stands out",
        default=0.05,
        min=0.001,
        max=10.0,
        precision=3,
        step=1,
        update=_changed,
    )
    stock_range_mm: FloatProperty(
        name="Stock ± (mm)",
        description="The colours of the stock run from minus to plus this many millimetres; what lies beyond "
        "stands out",
        default=0.5,
        min=0.001,
        max=10.0,
        precision=3,
        step=1,
        update=_changed,
    )
    difference_to: EnumProperty(
        name="Difference to",
        description="Which way's surface is held against the one that is used",
        items=WAYS,
        update=_changed,
    )
    scan_look: EnumProperty(
        name="Scan",
        description="How the scan is shown beside a rebuilt surface; the scan itself is not altered",
        items=SCAN_LOOKS,
        default="GHOST",
        update=_changed,
    )
    scan_hidden: BoolProperty(
        name="Scan Hidden", description="Whether the scan was hidden for its ghost", options={"HIDDEN"}
    )
    ghost: PointerProperty(
        name="Scan Ghost",
        description="Second object of the scan's mesh, shown see-through",
        type=bpy.types.Object,
    )
    shading_before: StringProperty(
        name="Shading Before", description="Shading of the 3D views to go back to, as JSON"
    )
    readings_on: BoolProperty(
        name="Readings", description="Draw readings in the 3D view where they were taken", default=True
    )
    section_on: BoolProperty(
        name="Section",
        description="Draw one section of the tube in the corner of the 3D view, deviations enlarged",
        update=_section_changed,
    )
    section_share: FloatProperty(
        name="Along the Tube",
        description="Where the section is taken, as a share of the surface's length",
        subtype="FACTOR",
        default=0.5,
        min=0.0,
        max=1.0,
        update=_section_changed,
    )
    section_station_mm: FloatProperty(
        name="Station (mm)",
        description="Where the section is taken, in millimetres from the surface's first ring",
        precision=2,
        step=10,
        get=_station,
        set=_set_station,
    )
    section_factor: FloatProperty(
        name="Enlarge",
        description="Factor by which deviations from the computed surface are enlarged in the drawing",
        default=50.0,
        min=1.0,
        max=1000.0,
        precision=0,
        update=_section_changed,
    )
    section_comb: BoolProperty(
        name="Curvature",
        description="Teeth along the section as long as it is curved there: a fair section has an even comb",
        update=_section_changed,
    )


CLASSES = (GAPLOFT_PG_show,)
