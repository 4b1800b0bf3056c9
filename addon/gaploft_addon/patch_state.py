"""A patch over one damage where no tube leads across it: when it is made, its creases and guides."""

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

from .alive import alive
from .live import part_changed

#: When a patch is made, by the library's names in capitals.
USES = (
    (
        "AUTO",
        "Where Needed",
        "Make a patch where the intact scan around the damage is no tube, such as at a junction",
    ),
    ("ALWAYS", "Always", "Make a patch, also where a tube could be carried on across the damage"),
    ("NEVER", "Never", "Carry the tube on across the damage, or give no surface"),
)


def _is_curve(_crease, obj):
    return obj.type == "CURVE"


class GAPLOFT_PG_crease(bpy.types.PropertyGroup):
    """An edge that runs through the damage"""

    curve: PointerProperty(
        name="Curve",
        description="Curve along the edge; each of its lines counts, and it may be changed at any time",
        type=bpy.types.Object,
        poll=_is_curve,
        update=part_changed,
    )
    radius_mm: FloatProperty(
        name="Radius (mm)",
        description="Radius that the edge is rounded with, in millimetres; 0 leaves it sharp",
        default=0.0,
        min=0.0,
        max=100.0,
        precision=2,
        step=10,
        update=part_changed,
    )


class GAPLOFT_PG_guide(bpy.types.PropertyGroup):
    """A place that the patch is to pass through"""

    mark: PointerProperty(
        name="Guide", description="Where the patch is to pass; may be dragged", type=bpy.types.Object
    )


class GAPLOFT_PG_patch(bpy.types.PropertyGroup):
    """A patch over the damage"""

    use: EnumProperty(
        name="Patch", description="When a patch is made", items=USES, default="AUTO", update=part_changed
    )
    creases: CollectionProperty(
        name="Creases", description="Edges that the patch is to have", type=GAPLOFT_PG_crease
    )
    crease_index: IntProperty(name="Crease", description="Which crease of the list is worked on", min=0)
    guides: CollectionProperty(
        name="Guides", description="Places that the patch is to pass through", type=GAPLOFT_PG_guide
    )
    guide_index: IntProperty(name="Guide", description="Which guide of the list is worked on", min=0)
    follow: BoolProperty(
        name="Follow Guides",
        description="Let the rebuilt patch follow at once when a guide is dragged, with its rim locked. The "
        "computed surface is kept, hidden",
        default=True,
    )
    told: StringProperty(
        name="Told", description="Which surface the last rebuild used where, in one sentence"
    )

    def live(self, obj):
        """An object of a crease or guide, or None when it was deleted."""
        return alive(self.id_data, obj)


CLASSES = (GAPLOFT_PG_crease, GAPLOFT_PG_guide, GAPLOFT_PG_patch)
