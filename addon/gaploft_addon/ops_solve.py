"""Operator: let a rebuilt patch pass through its guides, with its rim locked and without a new rebuild."""

from dataclasses import dataclass

import bpy

from gaploft.errors import GeometryError, InputError
from gaploft.progress import STAGES

from . import guide_live, guide_move, ops_recheck, patch_job, polls, surface_io, task, touch_io
from .background import InBackground
from .stage_texts import STAGE_TEXTS, overall
from .words import told


@dataclass(frozen=True)
class Again:
    """The rebuild that a surface is of, done again where it is not at hand, as after opening a file."""

    uid: int
    finished: task.Finished

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread. Raises InputError."""
        rebuilt = self.finished.rebuilt(progress)
        if rebuilt is None:
            raise InputError(told("the surface is of a rebuild that can't be had again: rebuild it first"))
        return guide_move.ready(self.uid, rebuilt)


def again_of(scene, damage):
    """Take out of Blender what :class:`Again` needs. Raises InputError."""
    surface = surface_io.surface_arrays(damage.surface, None)
    return Again(damage.uid, task.finished(scene, damage, surface))


class GAPLOFT_OT_solve_guides(InBackground, bpy.types.Operator):
    """Move a copy of the patch so that it passes through its guides, with its rim locked; the computed one is
    kept, hidden. Esc stops it"""

    bl_idname = "gaploft.solve_guides"
    bl_label = "Solve Guides"
    bl_options = {"REGISTER", "UNDO"}

    told_stopped = "Stopped; nothing was changed"

    @classmethod
    def poll(cls, context):
        if cls.running is not None:
            return polls.refused(cls, "The surface is being rebuilt: wait for it, or stop it with Esc")
        if not polls.surface_there(cls, context):
            return False
        damage = context.scene.gaploft.damage
        if not guide_move.has_patch(damage):
            return polls.refused(cls, "The surface is no patch: see Junction Patch under 3 Rebuild")
        if not patch_job.marks_of(damage) and damage.live("touched") is None:
            return polls.refused(cls, "Add a guide first")
        return polls.object_mode(cls, context)

    def execute(self, context):
        context.view_layer.update()
        scene, damage = context.scene, context.scene.gaploft.damage
        manager = context.window_manager
        manager.progress_begin(0.0, 1.0)
        try:
            bend = guide_move.at_hand(damage) or again_of(scene, damage).run(
                lambda stage, share: manager.progress_update(overall(stage, share))
            )
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        finally:
            manager.progress_end()
        return self._follow(context, damage, bend)

    def invoke(self, context, _event):
        context.view_layer.update()
        scene, damage = context.scene, context.scene.gaploft.damage
        try:
            if guide_move.at_hand(damage) is not None:
                return self.execute(context)
            self._task = again_of(scene, damage)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self._scene_name = scene.name
        return self._begin(context, self._task, (STAGES[0], 0.0))

    def _passed(self, event):
        return {"RUNNING_MODAL"}  # the patch is to be the same when the work is done

    def _doing(self, news):
        stage, share = news
        text = told("Gaploft is {doing}, {share:.0%}").format(doing=told(STAGE_TEXTS[stage]), share=share)
        return text, overall(stage, share)

    def _done(self, context, outcome):
        scene = bpy.data.scenes.get(self._scene_name)
        damage = scene and scene.gaploft.damage_of(self._task.uid)
        if damage is None or damage.live("result") is None:
            self.report({"WARNING"}, told("The surface is gone, so its guides were not solved"))
            return {"CANCELLED"}
        return self._follow(context, damage, outcome)

    def _follow(self, context, damage, bend):
        try:
            with touch_io.busy(context):
                guide_move.follow(context, damage, bend)
                changes = ops_recheck.check(damage)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        guide_live.settled(damage)
        self.report({"INFO"}, ops_recheck.sentence(changes))
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_solve_guides,)
