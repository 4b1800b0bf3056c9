"""What a person sets for the workshop around a target: readings, wall, bed, plies and tool."""

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
)

from .alive import alive
from .live import part_changed
from .ply_state import OF_PLY, GAPLOFT_PG_ply

#: What a thickness can be read of; the first four are the layers by the library's names.
KINDS = (
    ("WALL", "Wall", "Laminate without paint and filler, as a caliper shows it at the broken edge"),
    ("PAINT", "Paint", "Paint film on the scanned surface"),
    ("FILLER", "Filler", "Filler under the paint, on the laminate"),
    ("COVER", "Cover", "Plies that will be laid over the machined surface"),
    ("OTHER", "Other", "Whatever else will lie over the machined surface"),
)
BEDS = (
    (
        "RATIO",
        "Taper",
        "Even taper from the inner surface at the hole to the outer one, so long for its depth",
    ),
    ("STEPS", "Steps", "One step for each ply of the table below"),
)
#: What a person sets once for each damage, apart from lists.
SETTINGS = (
    *("wall_on", "wall_mm", "wall_share", "bed_on", "bed_kind", "bed_ratio", "bed_step_mm"),
    *("cut_back_mm", "lap_mm", "reach_on", "tool_radius_mm"),
)


class GAPLOFT_PG_reading(bpy.types.PropertyGroup):
    """A thickness measured at one place of the tube"""

    kind: EnumProperty(
        name="Of", description="What was measured", items=KINDS, default="WALL", update=part_changed
    )
    value_mm: FloatProperty(
        name="Reading (mm)",
        description="Thickness as measured there, in millimetres",
        min=0.0,
        max=50.0,
        precision=3,
        step=1,
        update=part_changed,
    )
    place: FloatVectorProperty(
        name="Place",
        description="Where it was measured, in the scan's own frame and units",
        subtype="XYZ",
        precision=3,
        update=part_changed,
    )


class GAPLOFT_PG_shop(bpy.types.PropertyGroup):
    """What the workshop wants beside the target of one damage"""

    readings: CollectionProperty(
        name="Readings", description="Thicknesses measured on the tube", type=GAPLOFT_PG_reading
    )
    reading_index: IntProperty(name="Reading", description="Which reading of the list is worked on", min=0)
    mark_zero: PointerProperty(
        name="Zero of Angles",
        description="Mark on the side of the tube from which angles count; without one they count from the "
        "side that faces up in the scan",
        type=bpy.types.Object,
    )
    wall_on: BoolProperty(
        name="Wall",
        description="Work out the inner surface, the missing section and the wall that is left",
        update=part_changed,
    )
    wall_mm: FloatProperty(
        name="Thickness (mm)",
        description="Thickness of the intact laminate without paint and filler, in millimetres, as measured",
        min=0.0,
        max=50.0,
        precision=3,
        step=1,
        update=part_changed,
    )
    wall_share: FloatProperty(
        name="Share to Take",
        description="A warning is given where more than this share of the wall is cut away, 0 to 1",
        default=0.3,
        min=0.01,
        max=1.0,
        precision=2,
        step=1,
        update=part_changed,
    )
    bed_on: BoolProperty(
        name="Bed",
        description="Work out the surface to be ground before the lay-up; it needs the wall",
        update=part_changed,
    )
    bed_kind: EnumProperty(
        name="Shape", description="How the bed rises to the outer surface", items=BEDS, update=part_changed
    )
    bed_ratio: FloatProperty(
        name="Length over Depth",
        description="Length of the taper over its depth: handbooks of other trades ask for 20 to 50 and more",
        default=30.0,
        min=0.5,
        max=200.0,
        precision=1,
        update=part_changed,
    )
    bed_step_mm: FloatProperty(
        name="Step (mm)",
        description="Length of one step, in millimetres; each is one ply deep",
        default=12.0,
        min=0.1,
        max=100.0,
        precision=1,
        update=part_changed,
    )
    cut_back_mm: FloatProperty(
        name="Cut Back (mm)",
        description="How far beyond the marked damage the hole is cut, in millimetres",
        min=0.0,
        max=200.0,
        precision=1,
        update=part_changed,
    )
    lap_mm: FloatProperty(
        name="Lap (mm)",
        description="How far the outermost ply runs on beyond the bed over intact tube, in millimetres",
        min=0.0,
        max=200.0,
        precision=1,
        update=part_changed,
    )
    plies: CollectionProperty(
        name="Plies", description="What will be laid into the bed, from the inside out", type=GAPLOFT_PG_ply
    )
    ply_index: IntProperty(name="Cloth", description="Which cloth of the list is worked on", min=0)
    reach_on: BoolProperty(
        name="Reach",
        description="Find out where the tool's ball end can't follow the target",
        update=part_changed,
    )
    tool_radius_mm: FloatProperty(
        name="Tool Radius (mm)",
        description="Radius of the ball end of the tool, in millimetres",
        default=4.0,
        min=0.1,
        max=100.0,
        precision=2,
        update=part_changed,
    )

    def live(self, field):
        """The object of a field, or None when it was deleted."""
        return alive(self.id_data, getattr(self, field))

    def read_of(self, kind):
        """The readings of one kind."""
        return [reading for reading in self.readings if reading.kind == kind]


def copied(before, after):
    """Give one damage the settings and cloths of another; readings are of one place and stay there."""
    for name in SETTINGS:
        setattr(after, name, getattr(before, name))
    for ply in before.plies:
        added = after.plies.add()
        for name in OF_PLY:
            setattr(added, name, getattr(ply, name))


CLASSES = (GAPLOFT_PG_reading, GAPLOFT_PG_shop)
