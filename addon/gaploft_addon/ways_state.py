"""Where the lost shape of one damage may come from beside its own flanks, and which of it is used."""

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from gaploft.job_sources import USUAL_LIMIT_MM

from .alive import alive
from .live import part_changed

#: The ways in the library's order, by its names in capitals.
WAYS = (
    ("LOFT", "Flanks", "Carry the intact tube on across the damage, from both sides"),
    ("DONOR", "Spare", "Take the shape from the scan of a spare section"),
    ("MIRROR", "Opposite", "Take the shape from the opposite side of the same frame"),
    ("SHELF", "Shelf", "Take the shape from a tube of the shop's shelf"),
)
CHOICES = (
    ("BEST", "Best", "Use the way that the rule of the report recommends"),
    *WAYS,
)
#: What is in the scene to mark one place on both tubes.
MARKS = ("mark_on_tube", "mark_on_donor", "donor_frame")
LIMIT = (
    "A part that has to be changed by more than this many millimetres to meet both flanks is taken for "
    "another one and refused"
)


def limit_property():
    return FloatProperty(
        name="Limit (mm)",
        description=LIMIT,
        default=USUAL_LIMIT_MM,
        min=0.01,
        max=5.0,
        precision=2,
        step=1,
        update=part_changed,
    )


def _could_be_donor(ways, obj):
    return obj.type == "MESH" and obj != ways.id_data.gaploft.scan


class GAPLOFT_PG_region(bpy.types.PropertyGroup):
    """A stretch of the damage that another way is used for"""

    from_mm: FloatProperty(
        name="From (mm)",
        description="Where it begins, in millimetres from the From end of the damage",
        precision=1,
        step=100,
        update=part_changed,
    )
    to_mm: FloatProperty(
        name="To (mm)",
        description="Where it ends, in millimetres from the From end of the damage",
        precision=1,
        step=100,
        update=part_changed,
    )
    use: EnumProperty(name="Way", description="What is used there", items=WAYS, update=part_changed)


class GAPLOFT_PG_ways(bpy.types.PropertyGroup):
    """Other ways to the lost surface of one damage"""

    donor_on: BoolProperty(
        name="Spare Section",
        description="Take the shape from the scan of a spare section: the same tube of the same model",
        update=part_changed,
    )
    donor: PointerProperty(
        name="Spare Section",
        description="Mesh object with the scan of the spare section, in any place and pose; never altered",
        type=bpy.types.Object,
        poll=_could_be_donor,
        update=part_changed,
    )
    donor_mirrored: BoolProperty(
        name="Mirrored",
        description="It is the opposite side's part: its mirror image is fitted in",
        update=part_changed,
    )
    donor_limit_mm: limit_property()
    mark_on_tube: PointerProperty(
        name="Mark on the Tube",
        description="A place on the broken tube that is seen on the spare section, too; may be dragged",
        type=bpy.types.Object,
    )
    mark_on_donor: PointerProperty(
        name="Mark on the Spare Section",
        description="The same place on the spare section; may be dragged",
        type=bpy.types.Object,
    )
    donor_frame: PointerProperty(
        name="Frame of the Spare Section",
        description="Hidden; holds the mark in the spare section's frame",
        type=bpy.types.Object,
    )
    mirror_on: BoolProperty(
        name="Opposite Side",
        description="Take the shape from the opposite side of the same frame, where the scan shows it",
        update=part_changed,
    )
    mirror_plane: PointerProperty(
        name="Plane",
        description="An object in the mirror plane whose local z axis stands across it; without one the "
        "plane is found in the scan",
        type=bpy.types.Object,
        update=part_changed,
    )
    mirror_limit_mm: limit_property()
    shelf_on: BoolProperty(
        name="Shelf",
        description="Take the shape from the tube of the shop's shelf that fits best, or from the chosen one",
        update=part_changed,
    )
    shelf_entry: StringProperty(
        name="Tube",
        description="Which tube of the shelf is taken; none: the one that fits best",
        update=part_changed,
    )
    shelf_mirrored: BoolProperty(
        name="Mirror Images Too",
        description="Mirror images of the tubes on the shelf serve as well",
        update=part_changed,
    )
    shelf_limit_mm: limit_property()
    shelf_found: StringProperty(name="Found", description="What the last search of the shelf found, as JSON")
    use: EnumProperty(
        name="Use", description="Which way is used", items=CHOICES, default="BEST", update=part_changed
    )
    regions: CollectionProperty(
        name="Regions",
        description="Stretches of the damage that another way is used for",
        type=GAPLOFT_PG_region,
    )
    region_index: IntProperty(name="Region", description="Which region of the list is worked on", min=0)

    def live(self, field):
        """The object of a field, or None when it was deleted."""
        return alive(self.id_data, getattr(self, field))

    @property
    def asked(self):
        """The ways that are switched on beside the flanks, by their keys."""
        switches = (("DONOR", self.donor_on), ("MIRROR", self.mirror_on), ("SHELF", self.shelf_on))
        return [way for way, on in switches if on]


CLASSES = (GAPLOFT_PG_region, GAPLOFT_PG_ways)
