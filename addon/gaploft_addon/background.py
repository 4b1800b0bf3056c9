"""Operators whose work runs in a thread, with progress for the panel and Esc to stop it."""

from typing import Any

import bpy

from gaploft.errors import Cancelled, GeometryError

from . import polls
from .words import told
from .worker import Worker


class InBackground:
    """What such operators share; each says what it does by `told_stopped`, `_doing` and `_done`.

    All that is worked on was taken out of Blender before, so everything but Esc goes on; `_passed` says so,
    and an operator that is to hold the window back says otherwise.
    """

    #: News of the work that runs in the background, for the panel; None when none runs.
    running = None
    #: What is said when Esc has stopped it.
    told_stopped = ""

    def _begin(self: Any, context, task, first_news):
        type(self).running = first_news
        self._worker = Worker(task)
        self._timer = context.window_manager.event_timer_add(0.1, window=context.window)
        context.window_manager.progress_begin(0.0, 1.0)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self: Any, context, event):
        if event.type == "ESC":
            self._worker.stop()
        if event.type != "TIMER":
            return self._passed(event)
        if self._worker.busy:
            self._show_progress(context)
            return self._passed(event)
        self._clean_up(context)
        outcome = self._worker.outcome
        if isinstance(outcome, Cancelled):
            self.report({"INFO"}, told(self.told_stopped))
            return {"CANCELLED"}
        if isinstance(outcome, GeometryError):
            self.report({"ERROR"}, str(outcome))
            return {"CANCELLED"}
        if isinstance(outcome, BaseException):
            raise outcome
        return self._done(context, outcome)

    def cancel(self: Any, context):
        self._worker.stop()
        self._worker.wait()
        self._clean_up(context)

    def _passed(self, event):
        return {"RUNNING_MODAL"} if event.type == "ESC" else {"PASS_THROUGH"}

    def _show_progress(self: Any, context):
        news = self._worker.latest()
        if news is None and not self._worker.stopping:
            return
        if news is not None:
            type(self).running = news
        text, share = self._doing(type(self).running)
        then = told("stopping") if self._worker.stopping else told("Esc stops it")
        context.window_manager.progress_update(share)
        context.workspace.status_text_set(f"{text}; {then}")
        redraw_sidebars()

    def _clean_up(self: Any, context):
        type(self).running = None
        context.window_manager.event_timer_remove(self._timer)
        context.window_manager.progress_end()
        context.workspace.status_text_set(None)
        redraw_sidebars()


class FromDialog(InBackground):
    """Work that was chosen in a dialog.

    Blender frees an operator whose dialog has closed: another does the rest, and is started with the task.
    """

    #: What a dialog has chosen, until the work begins.
    pending: Any = None
    #: Why the button is greyed out while nothing was chosen.
    told_missing = ""
    first_stage = "write"

    @classmethod
    def poll(cls, _context):
        return cls.pending is not None or polls.refused(cls, cls.told_missing)

    def invoke(self: Any, context, _event):
        kind = type(self)
        self._task, kind.pending = kind.pending, None
        self._scene_name = context.scene.name
        return self._begin(context, self._task, (self.first_stage, 0.0))

    @classmethod
    def start(cls, task):
        """Begin with a task; what the dialog's operator is to return."""
        cls.pending = task
        begin = getattr(bpy.ops.gaploft, cls.bl_idname.partition(".")[2])  # type: ignore[attr-defined]
        begin("INVOKE_DEFAULT")
        return {"FINISHED"}


def redraw_sidebars():
    """The sidebars alone: drawing a scan of millions anew would cost more than the work."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            for region in area.regions:
                if region.type == "UI":
                    region.tag_redraw()
