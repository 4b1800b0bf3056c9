"""Gaploft in Blender: rebuild the outer surface of a broken tube across the damage, from its own scan."""

import bpy

from . import (
    damage_state,
    frame_state,
    guide_live,
    legend,
    live,
    ops_back,
    ops_crease,
    ops_damage,
    ops_donor,
    ops_export,
    ops_frame,
    ops_guide,
    ops_import,
    ops_list,
    ops_measured,
    ops_plies,
    ops_readings,
    ops_rebuild,
    ops_recheck,
    ops_ring,
    ops_scan,
    ops_shelf,
    ops_show,
    ops_solve,
    ops_stock,
    ops_stock_report,
    ops_touch,
    ops_ways,
    ops_write,
    ops_zero,
    panel_bed,
    panel_export,
    panel_patch,
    panel_rebuild,
    panel_scan,
    panel_shop,
    panel_show,
    panel_stock,
    panel_touch,
    panel_ways,
    patch_state,
    ply_state,
    properties,
    reading_draw,
    ring_draw,
    scan_check,
    section_draw,
    shop_state,
    show_state,
    stock_state,
    touch_state,
    upgrade,
    watch,
    ways_state,
)

#: In the order of the work, which is that of the panels.
MODULES = (
    *(show_state, ply_state, shop_state, stock_state, ways_state, patch_state, damage_state),
    *(frame_state, touch_state, properties),
    *(ops_scan, ops_import, ops_damage, ops_list, ops_ring, panel_scan),
    *(ops_rebuild, ops_readings, ops_zero, ops_plies, ops_donor, ops_shelf, ops_ways),
    *(ops_crease, ops_guide, ops_solve),
    *(panel_bed, panel_shop, panel_ways, panel_patch, panel_rebuild),
    *(ops_show, panel_show),
    *(ops_recheck, ops_touch, ops_back, panel_touch),
    *(ops_write, ops_export, ops_frame, panel_export),
    *(ops_measured, ops_stock, ops_stock_report, panel_stock),
)
#: Modules with handlers, timers, keys or drawing to be put in place and taken away.
SERVICES = (
    *(upgrade, live, ops_show, legend, section_draw, watch, scan_check, ring_draw, reading_draw),
    guide_live,
)
CLASSES = tuple(cls for module in MODULES for cls in getattr(module, "CLASSES", ()))


def register():
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.Scene.gaploft = bpy.props.PointerProperty(
        name="Gaploft", description="State of the tube repair in this scene", type=properties.GAPLOFT_PG_state
    )
    for module in SERVICES:
        module.register()


def unregister():
    for module in reversed(SERVICES):
        module.unregister()
    del bpy.types.Scene.gaploft
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
