"""Gaploft in Blender: rebuild the outer surface of a broken tube across the damage, from its own scan."""

import bpy

from . import draw, mesh_io, ops_damage, ops_export, ops_rebuild, ops_recheck, panel, properties

MODULES = (properties, mesh_io, draw, ops_damage, ops_rebuild, ops_recheck, ops_export, panel)
CLASSES = tuple(cls for module in MODULES for cls in getattr(module, "CLASSES", ()))


def register():
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.Scene.gaploft = bpy.props.PointerProperty(
        name="Gaploft", description="State of the tube repair in this scene", type=properties.GAPLOFT_PG_state
    )


def unregister():
    del bpy.types.Scene.gaploft
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
