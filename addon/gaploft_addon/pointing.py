"""What operators share that wait for clicks on the scan: reading it, following the pointer, the end."""

from typing import Any

import bpy

from gaploft.errors import GeometryError

from . import ring_draw, view
from .sight import sight_of
from .words import told
from .worker import Worker

WAIT = "Gaploft is reading the scan; Esc stops it"


class Pointing:
    """What such operators share; each says what it does by `_first`, `_pointed`, `_clicked` and `_typed`.

    ``_cloud`` holds the scan's points while it runs, ``_shown`` what is drawn.
    """

    def _begin(self: Any, context, scan):
        """Start to follow the pointer over a scan; what Blender's ``invoke`` is to return."""
        context.view_layer.update()
        try:
            context.window.cursor_modal_set("WAIT")
            self._look_at(context, scan)
        except GeometryError as error:
            context.window.cursor_modal_restore()
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self._timer = context.window_manager.event_timer_add(0.1, window=context.window)
        self._shown = ring_draw.Shown()
        ring_draw.begin(self._shown)
        context.window_manager.modal_handler_add(self)
        self._ready(context)
        return {"RUNNING_MODAL"}

    def _look_at(self: Any, context, scan):
        """Follow the pointer over this scan from now on. Raises InputError."""
        sight = sight_of(context.scene, scan)
        # References die with undo and file load: names are looked up again.
        self._names = context.scene.name, scan.name
        self._cloud = sight.known
        self._worker = Worker(sight) if self._cloud is None else None

    def _ready(self: Any, context):
        """Say what is to be clicked, or that the scan is still being read."""
        context.window.cursor_modal_set("CROSSHAIR" if self._worker is None else "WAIT")
        self._tell(context, told(WAIT) if self._worker else self._first())

    def modal(self: Any, context, event):
        try:
            return self._modal(context, event)
        except BaseException:  # a bug stays a bug, but leaves no drawing behind
            self._end(context, {"CANCELLED"})
            raise

    def _modal(self: Any, context, event):
        gone = self._scan() is None or context.scene.name != self._names[0]
        if gone or not ring_draw.drawing() or (event.type == "ESC" and event.value == "PRESS"):
            return self._end(context, self._escaped())
        if self._worker is not None:
            return self._wait(context, event)
        if event.type == "MOUSEMOVE":
            self._follow(context, event)
            return {"PASS_THROUGH"}
        outside = view.region_at(context.window, event.mouse_x, event.mouse_y) is None
        if not outside and event.value == "PRESS" and self._typed(context, event):
            return {"RUNNING_MODAL"}
        if outside or event.type in view.NAVIGATION or event.alt:
            return {"PASS_THROUGH"}
        if event.value == "PRESS" and event.type == "LEFTMOUSE":
            self._follow(context, event)
            result = self._clicked(context)
            return {"RUNNING_MODAL"} if result is None else self._end(context, result)
        return {"RUNNING_MODAL"}

    def cancel(self: Any, context):
        self._end(context, {"CANCELLED"})

    def _escaped(self):
        """What the operator returns when Esc has ended it."""
        return {"CANCELLED"}

    def _scan(self: Any):
        return bpy.data.objects.get(self._names[1])

    def _wait(self: Any, context, event):
        """Until the scan is read, only looking around goes on."""
        if event.type == "TIMER" and not self._worker.busy:
            outcome, self._worker = self._worker.outcome, None
            if isinstance(outcome, GeometryError):
                self.report({"ERROR"}, str(outcome))
                return self._end(context, {"CANCELLED"})
            if isinstance(outcome, BaseException):
                raise outcome
            self._cloud = outcome
            self._ready(context)
        return {"PASS_THROUGH"} if event.type in view.NAVIGATION else {"RUNNING_MODAL"}

    def _follow(self: Any, context, event):
        """What lies under the pointer, as `_pointed` finds it."""
        shown = self._shown
        shown.live = None
        over = view.region_at(context.window, event.mouse_x, event.mouse_y)
        if over is not None:
            area, region = over
            shown.area, shown.pointer = area, (event.mouse_x - region.x, event.mouse_y - region.y)
            scan = self._scan()
            ray = view.ray_at(region, area.spaces.active.region_3d, shown.pointer, scan)
            self._pointed(context, scan, ray)
        view.redraw(context)

    def _tell(self, context, text):
        context.workspace.status_text_set(text)
        view.redraw(context)

    def _end(self: Any, context, result):
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
