"""Operator: write what a file dialog has named, in the background."""

import bpy

from gaploft.errors import Cancelled, GeometryError

from . import export_task
from .words import told
from .worker import Worker


class GAPLOFT_OT_write_target(bpy.types.Operator):
    """Write the files in the background once they were named in a dialog. Esc stops it"""

    bl_idname = "gaploft.write_target"
    bl_label = "Write Target"
    bl_options = {"INTERNAL"}

    #: What a dialog has chosen, until the work begins.
    pending = None
    #: Share of the work done in the background, for the panel; None when none is done.
    running = None

    @classmethod
    def poll(cls, _context):
        if cls.pending is None:
            cls.poll_message_set("Choose a file with Export Target first")
            return False
        return True

    def invoke(self, context, _event):
        self._task, GAPLOFT_OT_write_target.pending = self.pending, None
        self._scene_name = context.scene.name
        GAPLOFT_OT_write_target.running = 0.0
        self._worker = Worker(self._task)
        self._timer = context.window_manager.event_timer_add(0.1, window=context.window)
        context.window_manager.progress_begin(0.0, 1.0)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context, event):
        if event.type == "ESC":
            self._worker.stop()
            return {"RUNNING_MODAL"}
        if event.type != "TIMER":
            return {"PASS_THROUGH"}  # all that is written was copied: the work goes on
        if self._worker.busy:
            self._show_progress(context)
            return {"PASS_THROUGH"}
        self._clean_up(context)
        outcome = self._worker.outcome
        if isinstance(outcome, Cancelled):
            self.report({"INFO"}, told("Stopped; no file was written"))
            return {"CANCELLED"}
        if isinstance(outcome, GeometryError):
            self.report({"ERROR"}, str(outcome))
            return {"CANCELLED"}
        if isinstance(outcome, BaseException):
            raise outcome
        finish(self, bpy.data.scenes.get(self._scene_name), self._task, outcome)
        return {"FINISHED"}

    def cancel(self, context):
        self._worker.stop()
        self._worker.wait()
        self._clean_up(context)

    def _show_progress(self, context):
        news = self._worker.latest()
        if news is None and not self._worker.stopping:
            return
        if news is not None:
            GAPLOFT_OT_write_target.running = news[1]
        share = GAPLOFT_OT_write_target.running
        context.window_manager.progress_update(share)
        then = told("stopping") if self._worker.stopping else told("Esc stops it")
        text = told("Gaploft is writing the target, {share:.0%}; {then}")
        context.workspace.status_text_set(text.format(share=share, then=then))
        _redraw(context)

    def _clean_up(self, context):
        GAPLOFT_OT_write_target.running = None
        context.window_manager.event_timer_remove(self._timer)
        context.window_manager.progress_end()
        context.workspace.status_text_set(None)
        _redraw(context)


def free(cls):
    """Whether no other export runs; else says so."""
    if GAPLOFT_OT_write_target.running is None:
        return True
    cls.poll_message_set("An export is running: wait for it, or stop it with Esc")
    return False


def finish(operator, scene, task, done):
    export_task.keep(scene, task, done)
    for exported in done:
        for note in exported.notes:
            operator.report({"WARNING"}, note.text)
    operator.report({"INFO"}, export_task.message(task, done))


def _redraw(context):
    """The sidebars alone: drawing a scan of millions anew would cost more than the writing."""
    for area in context.screen.areas if context.screen else ():
        for region in area.regions:
            if region.type == "UI":
                region.tag_redraw()


CLASSES = (GAPLOFT_OT_write_target,)
