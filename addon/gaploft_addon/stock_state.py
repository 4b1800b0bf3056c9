"""What a person sets for holding a measured part against its target, and what came out."""

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, IntProperty, PointerProperty, StringProperty

from .alive import alive

STAGES = (
    ("laid-up", "Laid Up", "The part before machining: is there material to take off everywhere?"),
    ("machined", "Machined", "The part after machining: does it lie within the tolerance?"),
)


def _is_mesh(_stock, obj):
    return obj.type == "MESH"


class GAPLOFT_PG_stock(bpy.types.PropertyGroup):
    """The measured part of one damage against its target"""

    measured: PointerProperty(
        name="Measured Scan",
        description="Mesh object with the scan of the laid-up or machined part; never altered",
        type=bpy.types.Object,
        poll=_is_mesh,
    )
    stage: EnumProperty(name="Part", description="What was measured", items=STAGES, default="laid-up")
    tolerance_mm: FloatProperty(
        name="Tolerance ± (mm)",
        description="The part may lie so far above or below the target, in millimetres",
        default=0.1,
        min=0.001,
        max=10.0,
        precision=3,
        step=1,
    )
    uncertainty_mm: FloatProperty(
        name="Uncertainty (mm)",
        description="Standard uncertainty of scanner, frame and machine together in millimetres, as the shop "
        "knows it",
        default=0.02,
        min=0.0,
        max=10.0,
        precision=3,
        step=1,
    )
    align: BoolProperty(
        name="Move as Aligned",
        description="Measure the part where its intact flanks say it belongs, and not where its file has it. "
        "How far that is off is found and told in either case",
    )
    result: StringProperty(name="Result", description="What the last check found, as JSON")
    of_surface: StringProperty(
        name="Of Surface", description="Which surface the last check was of, to tell when it is old"
    )
    spot_index: IntProperty(name="Low Spot", description="Which low spot of the list is looked at", min=0)

    def live(self, field):
        """The object of a field, or None when it was deleted."""
        return alive(self.id_data, getattr(self, field))


CLASSES = (GAPLOFT_PG_stock,)
