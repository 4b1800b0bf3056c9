"""Operator: import a scan through Blender's own importers, from the file dialog or by drag and drop."""

from pathlib import Path

import bpy
from bpy.props import EnumProperty, StringProperty

from gaploft.errors import GeometryError, InputError

from . import polls
from .ops_scan import UNITS
from .words import told

#: Blender's own importers, with the axes of the file kept as they are.
IMPORTERS = {
    ".stl": bpy.ops.wm.stl_import,
    ".ply": bpy.ops.wm.ply_import,
    ".obj": bpy.ops.wm.obj_import,
}


class GAPLOFT_OT_import_scan(bpy.types.Operator):
    """Import a scan as STL, PLY or OBJ, axes as in the file, so that one Blender unit is a millimetre"""

    bl_idname = "gaploft.import_scan"
    bl_label = "Import Scan"
    bl_options = {"UNDO"}

    filepath: StringProperty(
        name="File", description="Scan to import", subtype="FILE_PATH", options={"SKIP_SAVE"}
    )
    filter_glob: StringProperty(default="*.stl;*.ply;*.obj", options={"HIDDEN"})
    unit: EnumProperty(
        name="Unit",
        description="Unit of the numbers in the file. Ask shows the size that each would give",
        items=(("ASK", "Ask", "Show the size that each unit would give"), *UNITS),
        options={"SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context):
        return polls.object_mode(cls, context)

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
        use_scan = bpy.ops.gaploft.use_scan  # type: ignore[attr-defined]
        if asking:
            use_scan("INVOKE_DEFAULT", fresh=True)
        else:
            use_scan(unit=self.unit, fresh=True)
        return {"FINISHED"}


def imported(context, path):
    """Import a file in its own numbers and axes; the new mesh is the active object. Raises InputError."""
    importer = IMPORTERS.get(path.suffix.lower())
    if importer is None or not path.is_file():
        raise InputError(told("'{path}' can't be imported: choose an STL, PLY or OBJ file").format(path=path))
    before = set(bpy.data.objects)
    try:
        importer(filepath=str(path), global_scale=1.0, forward_axis="Y", up_axis="Z")
    except RuntimeError as error:
        text = told("'{path}' can't be imported: {error}")
        raise InputError(text.format(path=path, error=str(error).strip())) from error
    meshes = [obj for obj in bpy.data.objects if obj not in before and obj.type == "MESH"]
    if not any(len(obj.data.polygons) for obj in meshes):
        raise InputError(
            told("'{path}' holds no faces: export a triangle mesh from the scanning program").format(
                path=path
            )
        )
    context.view_layer.objects.active = max(meshes, key=lambda obj: len(obj.data.polygons))


class GAPLOFT_FH_scan(bpy.types.FileHandler):
    """Scans dropped into the 3D view"""

    bl_idname = "GAPLOFT_FH_scan"
    bl_label = "Scan for Gaploft"
    bl_import_operator = "gaploft.import_scan"
    bl_file_extensions = ".stl;.ply;.obj"

    @classmethod
    def poll_drop(cls, context):
        return context.area is not None and context.area.type == "VIEW_3D"


CLASSES = (GAPLOFT_OT_import_scan, GAPLOFT_FH_scan)
