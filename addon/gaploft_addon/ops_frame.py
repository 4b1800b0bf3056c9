"""Operators: the frame that files are written in, by marks in the scan."""

import bpy
from bpy.props import FloatVectorProperty

from gaploft.errors import GeometryError

from . import draw, frame_job, polls, ring_draw
from .pointing import Pointing
from .rings import place_under
from .touch_io import busy
from .words import told

#: The three points by their place in the list.
POINT_NAMES = ("Origin", "On X", "Side of Y")
CLICK = {
    "POINTS": "Click the scan: {name}   |   Esc: cancel",
    "SPHERES": "Click fixture spheres one after the other: {name}   |   Enter or Esc: done",
}
DONE = {"RET", "NUMPAD_ENTER", "RIGHTMOUSE"}


class GAPLOFT_OT_add_frame_mark(Pointing, bpy.types.Operator):
    """Click points of the machine's frame, or fixture spheres, on the scan; marks may be dragged"""

    bl_idname = "gaploft.add_frame_mark"
    bl_label = "Click Marks of Frame"
    bl_options = {"REGISTER", "UNDO"}

    point: FloatVectorProperty(
        name="Place",
        description="Place on the scan, in world coordinates; of a sphere one anywhere on it",
        subtype="XYZ",
        options={"SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context):
        state = context.scene.gaploft
        if state.live("scan") is None:
            return polls.refused(cls, "Import the scan, or make a mesh the scan, first")
        if state.machine.kind == "SCAN":
            return polls.refused(cls, "Choose Three Points or Spheres as frame first")
        if state.machine.kind == "POINTS" and _missing(state.machine) is None:
            return polls.refused(cls, "All three points are marked: drag a mark, or remove one first")
        if ring_draw.drawing():
            return polls.refused(cls, "Something is being clicked already: click, or stop with Esc")
        return polls.object_mode(cls, context)

    def execute(self, context):
        if not self.properties.is_property_set("point"):
            self.report({"ERROR"}, told("give a place on the scan, point"))
            return {"CANCELLED"}
        name = add_mark(context.scene, self.point)
        self.report({"INFO"}, told("Marked: {name}").format(name=name))
        return {"FINISHED"}

    def invoke(self, context, _event):
        self._count = 0
        self._kind = context.scene.gaploft.machine.kind
        return self._begin(context, context.scene.gaploft.scan)

    def _first(self):
        return told(CLICK[self._kind]).format(name=next_name(bpy.context.scene.gaploft.machine))

    def _typed(self, _context, event):
        if event.type not in DONE:
            return False
        ring_draw.end()  # the next event ends all the rest
        return True

    def _pointed(self, context, scan, ray):
        self._place = place_under(self._cloud, scan, context.scene, ray)
        self._shown.note = "" if self._place is None else next_name(context.scene.gaploft.machine)

    def _clicked(self, context):
        if self._place is None:
            self._tell(context, told("There is nothing of the scan: point at it and click"))
            return None
        self.point = self._place
        add_mark(context.scene, self._place)
        self._count += 1
        if self._kind == "POINTS" and _missing(context.scene.gaploft.machine) is None:
            return {"FINISHED"}
        self._tell(context, self._first())
        return None

    def _escaped(self):
        return {"FINISHED"} if self._count else {"CANCELLED"}


def _missing(machine):
    """Number of the first of the three points that is not marked, or None."""
    taken = [entry.mark is not None for entry in machine.points]
    return next((k for k in range(3) if k >= len(taken) or not taken[k]), None)


def next_name(machine):
    """What the next mark will be called."""
    if machine.kind == "POINTS":
        return POINT_NAMES[_missing(machine) or 0]
    return f"Sphere {len(machine.spheres) + 1}"


def add_mark(scene, point):
    """Mark the next point or sphere at a place in world space; its name."""
    machine, name = scene.gaploft.machine, next_name(scene.gaploft.machine)
    if machine.kind == "SPHERES":
        entry = machine.spheres.add()
    else:
        number = _missing(machine) or 0
        while len(machine.points) <= number:
            machine.points.add()
        entry = machine.points[number]
    entry.mark = draw.show_mark(scene, None, f"Frame {name}", point)
    entry.mark.empty_display_type = "SPHERE" if machine.kind == "SPHERES" else "PLAIN_AXES"
    machine.index = len(machine.spheres) - 1
    return name


class GAPLOFT_OT_clear_frame_marks(bpy.types.Operator):
    """Take all marks of this frame away, to click them anew"""

    bl_idname = "gaploft.clear_frame_marks"
    bl_label = "Clear Marks"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        machine = context.scene.gaploft.machine
        if machine.kind == "SCAN" or not len(machine.marks):
            return polls.refused(cls, "There are no marks of a frame")
        return True

    def execute(self, context):
        marks = context.scene.gaploft.machine.marks
        for entry in marks:
            draw.remove(entry.mark)
        marks.clear()
        return {"FINISHED"}


class GAPLOFT_OT_fit_frame(bpy.types.Operator):
    """Find the machine's frame from its marks, and show how well the spheres fit"""

    bl_idname = "gaploft.fit_frame"
    bl_label = "Find Frame"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        machine = context.scene.gaploft.machine
        if machine.kind == "SCAN" or len(machine.marks) < 3:
            return polls.refused(cls, "Mark three points, or three spheres or more, first")
        return True

    def execute(self, context):
        scene = context.scene
        context.view_layer.update()
        try:
            with busy(context):
                task = frame_job.task_of(scene)
                frame = task.run()
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        frame_job.keep(scene, task.settings, frame)
        text = told("Frame found; largest residual {mm:.3f} mm")
        none = told("Frame found; nothing is left over to judge it by")
        self.report({"INFO"}, text.format(mm=frame.largest_mm) if len(frame.residuals_mm) else none)
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_add_frame_mark, GAPLOFT_OT_clear_frame_marks, GAPLOFT_OT_fit_frame)
