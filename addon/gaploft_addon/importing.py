"""What operators share that bring a mesh file in: the dialog, Blender's importers, the unit asked once."""

from pathlib import Path
from typing import Any, ClassVar

import bpy
from bpy.props import EnumProperty, StringProperty
from mathutils import Matrix

from gaploft.errors import GeometryError, InputError
from gaploft.job import MM_PER_UNIT
from gaploft.scan.size import likely_unit

from . import mesh_io, polls, view
from .ops_scan import UNITS
from .words import label, told

#: Blender's own importers, with the axes of the file kept as they are.
IMPORTERS = {
    ".stl": bpy.ops.wm.stl_import,
    ".ply": bpy.ops.wm.ply_import,
    ".obj": bpy.ops.wm.obj_import,
}


class Importing:
    """Import a file; the operator ``taker`` then says its unit and what the mesh is taken for."""

    taker = ""
    #: Settings of that operator beside the unit.
    taken_as: ClassVar[dict[str, Any]] = {}

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

    def invoke(self: Any, context, _event):
        if self.properties.is_property_set("filepath"):  # dropped into the view
            return self.execute(context)
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def draw(self: Any, _context):
        self.layout.prop(self, "unit")

    def execute(self: Any, context):
        asking = self.unit == "ASK"
        if asking and bpy.app.background:
            self.report({"ERROR"}, told("a mesh file states no unit: give the unit as mm, cm, m or in"))
            return {"CANCELLED"}
        try:
            imported(context, Path(self.filepath))
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        take = getattr(bpy.ops.gaploft, self.taker)  # type: ignore[attr-defined]
        if asking:
            take("INVOKE_DEFAULT", **self.taken_as)
        else:
            take(unit=self.unit, **self.taken_as)
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


class Taking:
    """Say the unit of a mesh that was imported beside the scan; `_put` gives it its place and its part."""

    #: Title of the dialog, why the button is greyed out, and what is said at the end.
    title, told_missing, told_taken = "", "", ""

    unit: EnumProperty(
        name="1 Unit Is",
        description="What one unit of the file is in reality; mesh files carry no unit",
        items=UNITS,
        options={"SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context):
        if context.active_object is None or context.active_object.type != "MESH":
            return polls.refused(cls, cls.told_missing)
        return cls._there(context)  # type: ignore[attr-defined]

    def invoke(self: Any, context, _event):
        if not self.properties.is_property_set("unit"):
            self.unit = likely_unit(max(_extent(context.active_object)))
        return context.window_manager.invoke_props_dialog(self, width=360, title=label(self.title))

    def draw(self: Any, context):
        column = self.layout.column()
        column.label(text=label("A mesh file states no unit. Which size is right?"))
        for unit, name, _ in UNITS:
            size = view.size_text([edge * MM_PER_UNIT[unit] for edge in _extent(context.active_object)])
            column.prop_enum(self, "unit", unit, text=f"{name}:   {size}")

    def execute(self: Any, context):
        scene, obj = context.scene, context.active_object
        scale = MM_PER_UNIT[self.unit] / mesh_io.unit_of(scene)[1]
        if scale != 1.0:
            obj.data.transform(Matrix.Scale(scale, 4))
        context.view_layer.update()
        self._put(scene, obj)
        context.view_layer.update()
        size = view.size_text(mesh_io.scan_extent_mm(obj, scene))
        self.report({"INFO"}, told(self.told_taken).format(name=obj.name, size=size))
        return {"FINISHED"}


def _extent(obj):
    """Edges of an object's bounding box in its own units."""
    return [
        max(corner[k] for corner in obj.bound_box) - min(corner[k] for corner in obj.bound_box)
        for k in range(3)
    ]
