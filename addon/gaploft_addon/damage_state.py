"""One damage of a scan: where it is, how it is to be rebuilt, and what came out."""

import bpy
from bpy.props import EnumProperty, FloatProperty, IntProperty, PointerProperty, StringProperty

from .live import settings_changed

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
#: What a person sets for each damage.
SETTINGS = ("chord_tolerance_mm", "overlap_mm", "paint_mm", "cover_mm", "halves")


def alive(scene, obj):
    """An object that is still in a scene, or None: a state alone would keep a deleted one alive."""
    return obj if obj is not None and scene.objects.get(obj.name) == obj else None


class GAPLOFT_PG_damage(bpy.types.PropertyGroup):
    """One damage of the scan, with its settings and what came out"""

    name: StringProperty(name="Name", description="Name of this damage; files are named after it")
    uid: IntProperty(
        name="Number", description="Number of this damage, kept when others go", options={"HIDDEN"}
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
    damaged_area: PointerProperty(
        name="Damaged Area",
        description="Damaged points when only one side of the tube is damaged",
        type=bpy.types.Object,
    )
    chord_tolerance_mm: FloatProperty(
        name="Chord Tolerance (mm)",
        description="Largest distance between the facets and the smooth surface, in millimetres",
        default=0.005,
        min=0.001,
        max=1.0,
        precision=3,
        step=0.1,
        update=settings_changed,
    )
    overlap_mm: FloatProperty(
        name="Overlap (mm)",
        description="How far the target runs on over intact surface at each end, in millimetres",
        default=10.0,
        min=0.0,
        max=200.0,
        precision=1,
        update=settings_changed,
    )
    paint_mm: FloatProperty(
        name="Paint (mm)",
        description="Film on the scanned surface that will be gone when machining starts, in millimetres",
        default=0.0,
        min=0.0,
        max=5.0,
        precision=3,
        step=1,
        update=settings_changed,
    )
    cover_mm: FloatProperty(
        name="Cover Plies (mm)",
        description="Plies that will be laid over the machined surface, in millimetres",
        default=0.0,
        min=0.0,
        max=20.0,
        precision=3,
        step=1,
        update=settings_changed,
    )
    halves: EnumProperty(
        name="Halves",
        description="What to do when one half of the tube does not continue the other",
        items=HALVES,
        default="HOLD",
        update=settings_changed,
    )
    result: PointerProperty(
        name="Rebuilt Surface",
        description="The surface of the last rebuild, as computed",
        type=bpy.types.Object,
    )
    touched: PointerProperty(
        name="Touched-Up Surface",
        description="The copy of the rebuilt surface that is changed by hand",
        type=bpy.types.Object,
    )
    report: StringProperty(name="Report", description="Report of the last rebuild, as JSON")
    built_with: StringProperty(
        name="Built With", description="Damage and settings of the last rebuild, as JSON"
    )
    exported: StringProperty(
        name="Exported", description="What the last export of this damage wrote, as JSON"
    )

    def live(self, field):
        """The object of a field, or None when it was deleted: the state alone would keep it alive."""
        return alive(self.id_data, getattr(self, field))

    @property
    def marked(self):
        """Whether both marks are there."""
        return all(self.live(field) is not None for field in ("mark_from", "mark_to"))

    @property
    def surface(self):
        """The surface that counts: the touched-up copy where there is one, else the computed one, or None."""
        return self.live("touched") or self.live("result")


CLASSES = (GAPLOFT_PG_damage,)
