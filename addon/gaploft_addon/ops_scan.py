"""Operators: say which mesh is the scan and what its unit is, and look through it."""

import bpy
from bpy.props import BoolProperty, EnumProperty
from mathutils import Matrix

from gaploft.errors import GeometryError
from gaploft.job import MM_PER_UNIT
from gaploft.scan.size import likely_unit

from . import mesh_io, polls, scan_check, view
from .ops_damage import find_scan
from .properties import SCAN_UNITS
from .words import label, told

UNITS = tuple(unit for unit in SCAN_UNITS if unit[0] != "scene")


class GAPLOFT_OT_use_scan(bpy.types.Operator):
    """Make the active mesh the scan, say its unit, and let lengths read true. The mesh stays as it is"""

    bl_idname = "gaploft.use_scan"
    bl_label = "Use as Scan"
    bl_options = {"UNDO"}

    unit: EnumProperty(
        name="1 Unit Is",
        description="What one Blender unit of the mesh is in reality; mesh files carry no unit",
        items=UNITS,
        options={"SKIP_SAVE"},
    )
    fresh: BoolProperty(
        name="Just Imported",
        description="The mesh was imported a moment ago: bring it to millimetres",
        options={"HIDDEN", "SKIP_SAVE"},
    )

    same: BoolProperty(
        name="Same Scan",
        description="Say the unit of the scan in use anew, whatever is active",
        options={"HIDDEN", "SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context):
        if find_scan(context) is None:
            return polls.refused(cls, "Make the scan the active object first: a mesh of the broken tube")
        return polls.object_mode(cls, context)

    def invoke(self, context, _event):
        if not self.properties.is_property_set("unit"):
            self.unit = likely_unit(max(view.extent(self._scan(context), context.scene)))
        manager = context.window_manager
        return manager.invoke_props_dialog(self, width=360, title=label("Unit of the Scan"))

    def _scan(self, context):
        return (self.same and context.scene.gaploft.live("scan")) or find_scan(context)

    def draw(self, context):
        column = self.layout.column()
        column.label(text=label("A mesh file states no unit. Which size is right?"))
        extent = view.extent(self._scan(context), context.scene)
        for unit, name, _ in UNITS:
            size = view.size_text(extent * MM_PER_UNIT[unit])
            column.prop_enum(self, "unit", unit, text=f"{name}:   {size}")

    def execute(self, context):
        scan, scene = self._scan(context), context.scene
        if self.fresh and self.unit != "mm":
            scan.data.transform(Matrix.Scale(MM_PER_UNIT[self.unit], 4))
            scene.gaploft.scan_unit = "mm"
        else:
            scene.gaploft.scan_unit = self.unit
        scene.gaploft.scan = scan
        context.view_layer.update()
        read_true(scene)
        view.show_whole(context, scan)
        text = told("'{name}' is the scan: {size}")
        size = view.size_text(mesh_io.scan_extent_mm(scan, scene))
        self.report({"INFO"}, text.format(name=scan.name, size=size))
        return bpy.ops.gaploft.check_scan()  # type: ignore[attr-defined]


def read_true(scene):
    """Set the units of a scene so that lengths on its scan are shown in true millimetres."""
    units = scene.unit_settings
    units.system, units.scale_length = "METRIC", mesh_io.unit_of(scene)[1] / 1000.0
    units.length_unit = "MILLIMETERS"


class GAPLOFT_OT_check_scan(bpy.types.Operator):
    """Look through the scan in the background and say what is wrong with it, before any work starts"""

    bl_idname = "gaploft.check_scan"
    bl_label = "Check Scan"

    @classmethod
    def poll(cls, context):
        if context.scene.gaploft.live("scan") is None:
            return polls.refused(cls, "Import the scan, or make a mesh the scan, first")
        return True

    def execute(self, context):
        scene = context.scene
        scan = scene.gaploft.scan
        try:
            if bpy.app.background:
                scan_check.keep(scene, scan_check.look_at(scene, scan).run(lambda _stage, _share: None))
            else:
                scan_check.start(scene, scan)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_use_scan, GAPLOFT_OT_check_scan)
