"""What a person sets for touching up by hand; kept in the scene."""

import bpy
from bpy.props import FloatProperty

from . import brushes


def _layer_changed(touch, _context):
    brushes.set_layer(touch.id_data)


class GAPLOFT_PG_touch(bpy.types.PropertyGroup):
    """Settings for touching up by hand"""

    lock_mm: FloatProperty(
        name="Rim Lock (mm)",
        description="Over this distance from the rim, in millimetres, strokes grow from nothing to their "
        "full strength, so that the seams stay closed. In a short gap it is shortened so that the middle "
        "stays free. A change counts from the next lock on",
        default=8.0,
        min=0.5,
        max=100.0,
        precision=1,
    )
    layer_mm: FloatProperty(
        name="One Stroke (mm)",
        description="The most that one stroke of Fill adds or one stroke of Pare takes off, in millimetres",
        default=0.05,
        min=0.001,
        max=1.0,
        precision=3,
        step=1,
        update=_layer_changed,
    )
    feather_mm: FloatProperty(
        name="Feather (mm)",
        description="Around what is given back, the change by hand fades over this distance along the "
        "surface, in millimetres, so that no step stays",
        default=3.0,
        min=0.0,
        max=100.0,
        precision=1,
    )


CLASSES = (GAPLOFT_PG_touch,)
