"""One damage of a scan: where it is, how it is to be rebuilt, and what came out."""

import bpy
from bpy.props import EnumProperty, FloatProperty, IntProperty, PointerProperty, StringProperty

from .alive import alive
from .live import settings_changed
from .patch_state import GAPLOFT_PG_patch
from .shop_state import GAPLOFT_PG_shop
from .stock_state import GAPLOFT_PG_stock
from .ways_state import GAPLOFT_PG_ways

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
OUTSIDE = (
    ("SAME", "Same", "Beyond the rebuilt zone the target runs on at the same depth, over intact tube"),
    ("BLEND", "Blend", "Beyond the rebuilt zone the layers run out to nothing at the ends of the target"),
    ("STEP", "Step", "At the rim of the rebuilt zone the layers end in a step of exactly their depth"),
)
TIGHT = (
    ("REFUSE", "Refuse", "Where the surface bends too tightly for the layers, give no target"),
    ("TRIM", "Trim", "Where the surface bends too tightly for the layers, make them thinner, with a warning"),
)
#: What a person sets for each damage; files of the first release have the first five.
SETTINGS = (
    *("chord_tolerance_mm", "overlap_mm", "paint_mm", "cover_mm", "halves"),
    *("filler_mm", "other_mm", "outside", "tight"),
)
#: Meshes of a damage beside its surface, each the field that holds it.
PARTS = ("inner", "section", "bed", "flanks")


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
        description="Damaged points, where an area was marked",
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
    filler_mm: FloatProperty(
        name="Filler (mm)",
        description="Filler under the paint that will be gone when machining starts, in millimetres",
        default=0.0,
        min=0.0,
        max=10.0,
        precision=3,
        step=1,
        update=settings_changed,
    )
    other_mm: FloatProperty(
        name="Other (mm)",
        description="Whatever else will lie over the machined surface, in millimetres",
        default=0.0,
        min=0.0,
        max=20.0,
        precision=3,
        step=1,
        update=settings_changed,
    )
    outside: EnumProperty(
        name="Outside",
        description="What becomes of the layers beyond the rebuilt zone, over intact tube",
        items=OUTSIDE,
        default="SAME",
        update=settings_changed,
    )
    tight: EnumProperty(
        name="If Too Tight",
        description="What to do where the surface bends too tightly for the layers",
        items=TIGHT,
        default="REFUSE",
        update=settings_changed,
    )
    shop: PointerProperty(
        name="Workshop", description="Readings, wall, bed and tool of this damage", type=GAPLOFT_PG_shop
    )
    stock: PointerProperty(
        name="Stock", description="The measured part against this damage's target", type=GAPLOFT_PG_stock
    )
    ways: PointerProperty(name="Ways", description="Where the lost shape may come from", type=GAPLOFT_PG_ways)
    patch: PointerProperty(
        name="Patch", description="The patch where no tube leads across", type=GAPLOFT_PG_patch
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
    inner: PointerProperty(
        name="Inner Surface",
        description="Inner surface of the tube over the length of the target",
        type=bpy.types.Object,
    )
    section: PointerProperty(
        name="Missing Section",
        description="Closed solid of the laminate that is missing",
        type=bpy.types.Object,
    )
    bed: PointerProperty(
        name="Bed", description="The surface to be ground before the lay-up", type=bpy.types.Object
    )
    flanks: PointerProperty(
        name="Intact Flanks",
        description="Points of intact tube beyond the target, to line a measured part up on",
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

    def holds(self, obj):
        """Whether a mesh is one of this damage, measured part, spare section and mirror plane among them."""
        beside = (self.stock.live("measured"), self.ways.live("donor"), self.ways.live("mirror_plane"))
        return self.holds_result(obj) or obj in beside

    def holds_result(self, obj):
        """Whether a mesh is one that was made of this damage."""
        return obj in [self.live(field) for field in ("result", "touched", "damaged_area", *PARTS)]

    @property
    def has_ends(self):
        """Whether both marks are there."""
        return all(self.live(field) is not None for field in ("mark_from", "mark_to"))

    @property
    def marked(self):
        """Whether it is known where the damage is: a patch does without the two marks."""
        area_will_do = self.patch.use == "ALWAYS" and self.live("damaged_area") is not None
        return area_will_do or self.has_ends

    @property
    def surface(self):
        """The surface that counts: the touched-up copy where there is one, else the computed one, or None."""
        return self.live("touched") or self.live("result")


CLASSES = (GAPLOFT_PG_damage,)
