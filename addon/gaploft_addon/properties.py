"""The state of one job, kept in the scene so that a saved file reopens where it was."""

import bpy
from bpy.props import (
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    PointerProperty,
    StringProperty,
)

SCAN_UNITS = (
    ("mm", "1 mm", "One Blender unit of the scan is a millimetre, as most scanners write"),
    ("cm", "1 cm", "One Blender unit of the scan is a centimetre"),
    ("m", "1 m", "One Blender unit of the scan is a metre"),
    ("in", "1 inch", "One Blender unit of the scan is an inch of 25.4 mm"),
    ("scene", "As the Scene", "Lengths are what Blender shows with the scene's unit scale"),
)
HALVES = (
    (
        "HOLD",
        "Hold as Scanned",
        "The surface joins both halves as they were scanned, also when they have moved against each other",
    ),
    (
        "FROM",
        "Re-Seat 'From' Half",
        "When the halves have moved, rebuild the tube as if the half at the From end were put back to where "
        "the other one asks for it. Move it so before machining: the report says how",
    ),
    (
        "TO",
        "Re-Seat 'To' Half",
        "When the halves have moved, rebuild the tube as if the half at the To end were put back to where "
        "the other one asks for it. Move it so before machining: the report says how",
    ),
)


def _is_mesh(_state, obj):
    return obj.type == "MESH"


class GAPLOFT_PG_state(bpy.types.PropertyGroup):
    """State of the tube repair in this scene"""

    scan: PointerProperty(
        name="Scan",
        description="Mesh object with the scan of the broken tube; never altered",
        type=bpy.types.Object,
        poll=_is_mesh,
    )
    scan_unit: EnumProperty(
        name="1 Unit Is",
        description="What one Blender unit of the scan is in reality; mesh files carry no unit",
        items=SCAN_UNITS,
        default="mm",
    )
    from_point: FloatVectorProperty(
        name="From",
        description="Point near the tube's centreline where the damage begins, in world coordinates",
        subtype="XYZ",
        precision=3,
    )
    to_point: FloatVectorProperty(
        name="To",
        description="Point near the tube's centreline where the damage ends, in world coordinates",
        subtype="XYZ",
        precision=3,
    )
    mark_from: PointerProperty(
        name="Damage From",
        description="Mark at the beginning of the damage; may be dragged",
        type=bpy.types.Object,
    )
    mark_to: PointerProperty(
        name="Damage To",
        description="Mark at the end of the damage; may be dragged",
        type=bpy.types.Object,
    )
    frame: PointerProperty(
        name="Scan Frame",
        description="Hidden; holds the marks in the scan's frame",
        type=bpy.types.Object,
    )
    damaged_area: PointerProperty(
        name="Damaged Area",
        description="Damaged points when only one side of the tube is damaged",
        type=bpy.types.Object,
    )
    collection: PointerProperty(
        name="Collection",
        description="Holds the marks and the rebuilt surface",
        type=bpy.types.Collection,
    )
    chord_tolerance_mm: FloatProperty(
        name="Chord Tolerance (mm)",
        description="Largest distance between the facets and the smooth surface, in millimetres",
        default=0.005,
        min=0.001,
        max=1.0,
        precision=3,
        step=0.1,
    )
    overlap_mm: FloatProperty(
        name="Overlap (mm)",
        description="How far the target runs on over intact surface at each end, in millimetres",
        default=10.0,
        min=0.0,
        max=200.0,
        precision=1,
    )
    paint_mm: FloatProperty(
        name="Paint (mm)",
        description="Film on the scanned surface that will be gone when machining starts, in millimetres",
        default=0.0,
        min=0.0,
        max=5.0,
        precision=3,
        step=1,
    )
    cover_mm: FloatProperty(
        name="Cover Plies (mm)",
        description="Plies that will be laid over the machined surface, in millimetres",
        default=0.0,
        min=0.0,
        max=20.0,
        precision=3,
        step=1,
    )
    halves: EnumProperty(
        name="Halves",
        description="What to do when one half of the tube does not continue the other",
        items=HALVES,
        default="HOLD",
    )
    result: PointerProperty(
        name="Rebuilt Surface",
        description="The surface of the last rebuild, with changes by hand",
        type=bpy.types.Object,
    )
    report: StringProperty(name="Report", description="Report of the last rebuild, as JSON")
    built_with: StringProperty(
        name="Built With", description="Damage and settings of the last rebuild, as JSON"
    )

    def live(self, field):
        """The object of a field, or None when it was deleted: the state alone would keep it alive."""
        obj = getattr(self, field)
        return obj if obj is not None and self.id_data.objects.get(obj.name) == obj else None

    @property
    def marked(self):
        """Whether scan and both marks are there."""
        return all(self.live(field) is not None for field in ("scan", "mark_from", "mark_to"))


CLASSES = (GAPLOFT_PG_state,)
