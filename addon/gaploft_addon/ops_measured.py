"""Operators: import or choose the scan of the part as it is now, beside the scan that was rebuilt from."""

from pathlib import Path

import bpy
from bpy.props import EnumProperty, StringProperty
from mathutils import Matrix

from gaploft.errors import GeometryError
from gaploft.job import MM_PER_UNIT
from gaploft.scan.size import likely_unit

from . import mesh_io, polls, view
from .ops_import import imported
from .ops_scan import UNITS
from .words import label, told

ASK = ("ASK", "Ask", "Show the size that each unit would give")


class GAPLOFT_OT_import_measured(bpy.types.Operator):
    """Import the scan of the laid-up or machined part; the scan that was rebuilt from stays as it is"""

    bl_idname = "gaploft.import_measured"
    bl_label = "Import Measured Scan"
    bl_options = {"UNDO"}

    filepath: StringProperty(
        name="File", description="Scan to import", subtype="FILE_PATH", options={"SKIP_SAVE"}
    )
    filter_glob: StringProperty(default="*.stl;*.ply;*.obj", options={"HIDDEN"})
    unit: EnumProperty(
        name="Unit",
        description="Unit of the numbers in the file. Ask shows the size that each would give",
        items=(ASK, *UNITS),
        options={"SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context):
        return polls.surface_there(cls, context) and polls.object_mode(cls, context)

    def invoke(self, context, _event):
        if self.properties.is_property_set("filepath"):  # dropped into the view
            return self.execute(context)
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def draw(self, _context):
        self.layout.prop(self, "unit")

    def execute(self, context):
        asking = self.unit == "ASK"
        if asking and bpy.app.background:
            self.report({"ERROR"}, told("a mesh file states no unit: give the unit as mm, cm, m or in"))
            return {"CANCELLED"}
        try:
            imported(context, Path(self.filepath))
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        take = bpy.ops.gaploft.take_measured  # type: ignore[attr-defined]
        if asking:
            take("INVOKE_DEFAULT")
        else:
            take(unit=self.unit)
        return {"FINISHED"}


class GAPLOFT_OT_take_measured(bpy.types.Operator):
    """Say the unit of the measured scan that was imported a moment ago, and lay it where the scan lies"""

    bl_idname = "gaploft.take_measured"
    bl_label = "Unit of the Measured Scan"
    bl_options = {"UNDO", "INTERNAL"}

    unit: EnumProperty(
        name="1 Unit Is",
        description="What one unit of the file is in reality; mesh files carry no unit",
        items=UNITS,
        options={"SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context):
        if context.active_object is None or context.active_object.type != "MESH":
            return polls.refused(cls, "Import the measured scan first")
        return polls.surface_there(cls, context)

    def invoke(self, context, _event):
        if not self.properties.is_property_set("unit"):
            self.unit = likely_unit(max(_extent(context.active_object)))
        manager = context.window_manager
        return manager.invoke_props_dialog(self, width=360, title=label("Unit of the Measured Scan"))

    def draw(self, context):
        column = self.layout.column()
        column.label(text=label("A mesh file states no unit. Which size is right?"))
        for unit, name, _ in UNITS:
            size = view.size_text([edge * MM_PER_UNIT[unit] for edge in _extent(context.active_object)])
            column.prop_enum(self, "unit", unit, text=f"{name}:   {size}")

    def execute(self, context):
        scene, measured = context.scene, context.active_object
        scale = MM_PER_UNIT[self.unit] / mesh_io.unit_of(scene)[1]
        if scale != 1.0:
            measured.data.transform(Matrix.Scale(scale, 4))
        # The frame of the file is taken for that of the scan's file, wherever the scan was moved to.
        measured.matrix_world = mesh_io.placement(scene.gaploft.scan)
        scene.gaploft.damage.stock.measured = measured
        context.view_layer.update()
        text = told("'{name}' is the measured scan: {size}")
        size = view.size_text(mesh_io.scan_extent_mm(measured, scene))
        self.report({"INFO"}, text.format(name=measured.name, size=size))
        return {"FINISHED"}


def _extent(obj):
    """Edges of an object's bounding box in its own units."""
    return [
        max(corner[k] for corner in obj.bound_box) - min(corner[k] for corner in obj.bound_box)
        for k in range(3)
    ]


class GAPLOFT_FH_measured(bpy.types.FileHandler):
    """Scans of the part as it is now, dropped into the 3D view"""

    bl_idname = "GAPLOFT_FH_measured"
    bl_label = "Measured Scan for Gaploft"
    bl_import_operator = "gaploft.import_measured"
    bl_file_extensions = ".stl;.ply;.obj"

    @classmethod
    def poll_drop(cls, context):
        damage = context.scene.gaploft.damage
        in_view = context.area is not None and context.area.type == "VIEW_3D"
        return in_view and damage is not None and damage.surface is not None


CLASSES = (GAPLOFT_OT_import_measured, GAPLOFT_OT_take_measured, GAPLOFT_FH_measured)
