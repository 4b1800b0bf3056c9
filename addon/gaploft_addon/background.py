"""Operators whose work runs in a thread, with progress for the panel and Esc to stop it."""

from typing import Any

import bpy

from gaploft.errors import Cancelled, GeometryError

from .words import told
from .worker import Worker


class InBackground:
    """What such operators share; each says what it does by `told_stopped`, `_doing` and `_done`."""

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


def redraw_sidebars():
    """The sidebars alone: drawing a scan of millions anew would cost more than the work."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            for region in area.regions:
                if region.type == "UI":
                    region.tag_redraw()
