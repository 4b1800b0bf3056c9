"""Operator: mark the damage by two clicks on the tube, with the ring there drawn as the pointer moves."""

import bpy
from bpy.props import FloatVectorProperty

from gaploft.errors import GeometryError, InputError
from gaploft.job import Damage

from . import polls, ring_draw, view
from .ops_damage import mark, scan_of
from .rings import ring_of, ring_under
from .sight import sight_of
from .words import told
from .worker import Worker

WAIT = "Gaploft is reading the scan; Esc stops it"
FIRST = "Click the tube where the damage begins   |   Esc: cancel"
SECOND = (
    "Click the tube where the damage ends   |   Backspace or right click: first end again   |   Esc: cancel"
)


def mark_between(context, scan, start, stop):
    """Mark the damage between two rings that were found; one sentence about it. Raises InputError."""
    damage = Damage(start.ring.centre_mm, stop.ring.centre_mm)
    return mark(context, scan, damage, (start.ring, stop.ring))


def _place(name, description):
    return FloatVectorProperty(name=name, description=description, subtype="XYZ", options={"SKIP_SAVE"})


class GAPLOFT_OT_mark_ring(bpy.types.Operator):
    """Click the tube at both ends of the damage; a ring shows where. Esc cancels"""

    bl_idname = "gaploft.mark_ring"
    bl_label = "Click Both Ends"
    bl_options = {"REGISTER", "UNDO"}

    from_place: _place("From", "Place on the tube's surface where the damage begins, in world coordinates")
    to_place: _place("To", "Place on the tube's surface where the damage ends, in world coordinates")

    @classmethod
    def poll(cls, context):
        if scan_of(context) is None:
            return polls.refused(cls, "Import the scan, or make it the active object, first")
        if not polls.object_mode(cls, context):
            return False
        if ring_draw.drawing():
            return polls.refused(cls, "Both ends are being clicked already: click the tube, or stop with Esc")
        return True

    def execute(self, context):
        scan, scene = scan_of(context), context.scene
        context.view_layer.update()
        try:
            if not all(self.properties.is_property_set(name) for name in ("from_place", "to_place")):
                raise InputError(told("give two places on the tube, from_place and to_place"))
            sight = sight_of(scene, scan)
            cloud = sight.known or sight.run()
            ends = [ring_of(cloud, scan, scene, place) for place in (self.from_place, self.to_place)]
            if None in ends:
                raise InputError(
                    told("no tube was found at one of the two places: give places on its surface")
                )
            sentence = mark_between(context, scan, *ends)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self.report({"INFO"}, sentence)
        return {"FINISHED"}

    def invoke(self, context, _event):
        scan, scene = scan_of(context), context.scene
        context.view_layer.update()
        try:
            context.window.cursor_modal_set("WAIT")
            sight = sight_of(scene, scan)
        except GeometryError as error:
            context.window.cursor_modal_restore()
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        # References die with undo and file load: names are looked up again.
        self._names = scene.name, scan.name
        self._cloud = sight.known
        self._worker = Worker(sight) if self._cloud is None else None
        self._timer = context.window_manager.event_timer_add(0.1, window=context.window)
        self._shown = ring_draw.Shown()
        ring_draw.begin(self._shown)
        context.window_manager.modal_handler_add(self)
        context.window.cursor_modal_set("CROSSHAIR" if self._worker is None else "WAIT")
        self._tell(context, told(WAIT if self._worker else FIRST))
        return {"RUNNING_MODAL"}

    def modal(self, context, event):
        try:
            return self._modal(context, event)
        except BaseException:  # a bug stays a bug, but leaves no drawing behind
            self._end(context, {"CANCELLED"})
            raise

    def _modal(self, context, event):
        gone = self._scan() is None or context.scene.name != self._names[0]
        if gone or not ring_draw.drawing() or (event.type == "ESC" and event.value == "PRESS"):
            return self._end(context, {"CANCELLED"})
        if self._worker is not None:
            return self._wait(context, event)
        if event.type == "MOUSEMOVE":
            self._follow(context, event)
            return {"PASS_THROUGH"}
        outside = view.region_at(context.window, event.mouse_x, event.mouse_y) is None
        if outside or event.type in view.NAVIGATION or event.alt:
            return {"PASS_THROUGH"}
        if event.value == "PRESS" and event.type in {"BACK_SPACE", "RIGHTMOUSE"}:
            self._shown.first = None
            self._tell(context, told(FIRST))
        if event.value == "PRESS" and event.type == "LEFTMOUSE":
            self._follow(context, event)
            return self._click(context)
        return {"RUNNING_MODAL"}

    def cancel(self, context):
        self._end(context, {"CANCELLED"})

    def _scan(self):
        return bpy.data.objects.get(self._names[1])

    def _wait(self, context, event):
        """Until the scan is read, only looking around goes on."""
        if event.type == "TIMER" and not self._worker.busy:
            outcome, self._worker = self._worker.outcome, None
            if isinstance(outcome, GeometryError):
                self.report({"ERROR"}, str(outcome))
                return self._end(context, {"CANCELLED"})
            if isinstance(outcome, BaseException):
                raise outcome
            self._cloud = outcome
            context.window.cursor_modal_set("CROSSHAIR")
            self._tell(context, told(FIRST))
        return {"PASS_THROUGH"} if event.type in view.NAVIGATION else {"RUNNING_MODAL"}

    def _follow(self, context, event):
        """The ring under the pointer, and the length so far."""
        shown = self._shown
        shown.live = None
        over = view.region_at(context.window, event.mouse_x, event.mouse_y)
        if over is not None:
            area, region = over
            shown.area, shown.pointer = area, (event.mouse_x - region.x, event.mouse_y - region.y)
            scan = self._scan()
            ray = view.ray_at(region, area.spaces.active.region_3d, shown.pointer, scan)
            shown.live = ring_under(self._cloud, scan, context.scene, ray)
        view.redraw(context)

    def _click(self, context):
        """Set one end; with the second, mark the damage."""
        shown = self._shown
        if shown.live is None:
            self._tell(context, told("There is no tube: point at the tube and click"))
            return {"RUNNING_MODAL"}
        if shown.first is None:
            shown.first = shown.live
            self._tell(context, told(SECOND))
            return {"RUNNING_MODAL"}
        ends = shown.first, shown.live
        self.from_place, self.to_place = (end.place for end in ends)
        try:
            sentence = mark_between(context, self._scan(), *ends)
        except GeometryError as error:
            self._tell(context, str(error))
            return {"RUNNING_MODAL"}
        self.report({"INFO"}, sentence)
        return self._end(context, {"FINISHED"})

    def _tell(self, context, text):
        context.workspace.status_text_set(text)
        view.redraw(context)

    def _end(self, context, result):
        """Leave nothing behind, whichever way out."""
        if self._worker is not None:
            self._worker.stop()
        ring_draw.end()
        if self._timer is not None:
            context.window_manager.event_timer_remove(self._timer)
            self._timer = None
            context.window.cursor_modal_restore()
        self._tell(context, None)
        return result


CLASSES = (GAPLOFT_OT_mark_ring,)
