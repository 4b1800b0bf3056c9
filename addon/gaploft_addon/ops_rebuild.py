"""Operator: rebuild the outer surface across the marked damage."""

import bpy
from bpy.props import BoolProperty

from gaploft.errors import GeometryError
from gaploft.progress import STAGES

from . import polls
from .background import InBackground
from .outcome import keep
from .stage_texts import STAGE_TEXTS, overall
from .task import task_of
from .words import told

#: Looking around stays possible while the work runs; everything else waits.
PASSED_ON = {
    "MOUSEMOVE",
    "INBETWEEN_MOUSEMOVE",
    "MIDDLEMOUSE",
    "WHEELUPMOUSE",
    "WHEELDOWNMOUSE",
    "TRACKPADPAN",
    "TRACKPADZOOM",
    "WINDOW_DEACTIVATE",
}


class GAPLOFT_OT_rebuild(InBackground, bpy.types.Operator):
    """Rebuild the outer surface across the marked damage from the intact scan around it. Esc stops it"""

    bl_idname = "gaploft.rebuild"
    bl_label = "Rebuild Surface"
    bl_options = {"REGISTER", "UNDO"}

    as_changed: BoolProperty(
        name="As Changed",
        description="Started because a setting was changed",
        options={"HIDDEN", "SKIP_SAVE"},
    )

    over_hand: BoolProperty(
        name="Over Hand Work",
        description="Put the computed surface in the place of the one that was touched up by hand",
        options={"HIDDEN", "SKIP_SAVE"},
    )

    #: Whether the person was asked, so that a window is there to stay alive.
    _asked = False
    told_stopped = "Stopped; nothing was changed"

    @classmethod
    def poll(cls, context):
        if cls.running is not None:
            return polls.refused(cls, "A rebuild is running: wait for it, or stop it with Esc")
        if not context.scene.gaploft.marked:
            return polls.refused(cls, "Mark the damage first")
        return polls.object_mode(cls, context)

    def execute(self, context):
        if self._asked:  # and said yes
            bpy.ops.gaploft.rebuild("INVOKE_DEFAULT", over_hand=True)  # type: ignore[attr-defined]
            return {"FINISHED"}
        manager, damage = context.window_manager, context.scene.gaploft.damage
        manager.progress_begin(0.0, 1.0)
        context.view_layer.update()
        try:
            task = task_of(context.scene, damage)
            outcome = task.run(lambda stage, share: manager.progress_update(overall(stage, share)))
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        finally:
            manager.progress_end()
        return self._finish(context, damage, task, outcome)

    def invoke(self, context, event):
        context.view_layer.update()
        scene, damage = context.scene, context.scene.gaploft.damage
        if damage.live("touched") is not None and not self.over_hand:
            self._asked = True
            return context.window_manager.invoke_confirm(
                self,
                event,
                title=told("Rebuild over hand work?"),
                message=told("The surface touched up by hand goes; only undo brings it back."),
                confirm_text=told("Rebuild"),
                icon="WARNING",
            )
        try:
            self._task = task_of(scene, damage)
        except GeometryError as error:
            # Settings may be half made while they are changed: the panel says so, and no popup is in the way.
            self.report({"INFO" if self.as_changed else "ERROR"}, str(error))
            return {"CANCELLED"}
        # References die with each undo: names and numbers are looked up again when the work is done.
        self._scene_name = scene.name
        return self._begin(context, self._task, (STAGES[0], 0.0))

    def _passed(self, event):
        # The rebuild takes the place of what is seen: until then nothing is changed.
        return {"PASS_THROUGH"} if event.type in PASSED_ON else {"RUNNING_MODAL"}

    def _doing(self, news):
        stage, share = news
        text = told("Gaploft is {doing}, {share:.0%}").format(doing=told(STAGE_TEXTS[stage]), share=share)
        return text, overall(stage, share)

    def _done(self, context, outcome):
        scene = bpy.data.scenes.get(self._scene_name)
        damage = scene and scene.gaploft.damage_of(self._task.uid)
        if damage is None:
            self.report({"WARNING"}, told("The damage is gone, so its rebuild was dropped"))
            return {"CANCELLED"}
        return self._finish(context, damage, self._task, outcome)

    def _finish(self, context, damage, task, outcome):
        by_hand = damage.live("touched") is not None
        refusal = keep(damage.id_data, damage, task, outcome)
        if by_hand:
            self.report({"WARNING"}, told("The surface touched up by hand is gone: undo brings it back"))
        if refusal is not None:
            self.report({"ERROR"}, refusal)
            return {"CANCELLED"}
        context.view_layer.update()
        evidence = outcome.evidence
        text = told("Gap of {gap:.1f} mm rebuilt, 95 % band up to {band:.3f} mm, verdict: {verdict}")
        if damage.patch.told:
            text = told("Patch of {gap:.1f} mm made, 95 % band up to {band:.3f} mm, verdict: {verdict}")
        self.report(
            {"INFO"},
            text.format(
                gap=evidence.gap.length_mm,
                band=evidence.band95_mm.max,
                verdict=told(outcome.verdict),
            ),
        )
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_rebuild,)
