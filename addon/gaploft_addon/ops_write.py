"""Operator: write what a file dialog has named, in the background."""

import bpy

from . import export_task, polls
from .background import FromDialog
from .stage_texts import STAGE_TEXTS, overall
from .words import told


class GAPLOFT_OT_write_target(FromDialog, bpy.types.Operator):
    """Write the files in the background once they were named in a dialog. Esc stops it"""

    bl_idname = "gaploft.write_target"
    bl_label = "Write Target"
    bl_options = {"INTERNAL"}

    told_missing = "Choose a file with Export Target first"
    told_stopped = "Stopped; no file was written"

    def _doing(self, news):
        text, share = doing(news)
        return told("Gaploft is {doing}, {share:.0%}").format(doing=text, share=share), share

    def _done(self, _context, outcome):
        finish(self, bpy.data.scenes.get(self._scene_name), self._task, outcome)
        return {"FINISHED"}


def doing(news):
    """What is being done, in words, and as a share of it: a rebuild may have to be done again first."""
    stage, share = news
    if stage == "write":
        return told("writing the target"), share
    return told(STAGE_TEXTS[stage]), overall(stage, share)


def free(cls):
    """Whether no other export runs; else says so."""
    if GAPLOFT_OT_write_target.running is None:
        return True
    return polls.refused(cls, "An export is running: wait for it, or stop it with Esc")


def finish(operator, scene, task, done):
    export_task.keep(scene, task, done)
    for exported in done:
        for note in exported.notes:
            operator.report({"WARNING"}, note.text)
    operator.report({"INFO"}, export_task.message(task, done))


CLASSES = (GAPLOFT_OT_write_target,)
