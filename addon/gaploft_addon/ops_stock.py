"""Operators: hold the measured part against the target, and look at its low spots."""

import json

import bpy
from bpy.props import IntProperty

from gaploft.errors import GeometryError

from . import overlay, polls, stock_task, touch_io
from .background import InBackground
from .words import told

#: How much of the part is shown around a low spot, mm.
AROUND_MM = 60.0


class GAPLOFT_OT_check_stock(InBackground, bpy.types.Operator):
    """Hold the measured part against the target: surplus, low spots, what was seen, and what it comes to"""

    bl_idname = "gaploft.check_stock"
    bl_label = "Check Stock"
    bl_options = {"REGISTER", "UNDO"}

    told_stopped = "Stopped; nothing was changed"

    @classmethod
    def poll(cls, context):
        if cls.running is not None:
            return polls.refused(cls, "A check is running: wait for it, or stop it with Esc")
        if not polls.surface_there(cls, context):
            return False
        if context.scene.gaploft.damage.stock.live("measured") is None:
            return polls.refused(cls, "Import the measured scan, or choose it, first")
        return polls.object_mode(cls, context)

    def execute(self, context):
        scene, damage = context.scene, context.scene.gaploft.damage
        context.view_layer.update()
        try:
            task = stock_task.task_of(scene, damage)
            stock = task.run(lambda _stage, _share: None)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        return self._finish(context, damage, task, stock)

    def invoke(self, context, _event):
        context.view_layer.update()
        scene, damage = context.scene, context.scene.gaploft.damage
        try:
            self._task = stock_task.task_of(scene, damage)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self._scene_name = scene.name
        return self._begin(context, self._task, ("read", 0.0))

    def _doing(self, news):
        return stock_task.doing(news)

    def _done(self, context, outcome):
        scene = bpy.data.scenes.get(self._scene_name)
        damage = scene and scene.gaploft.damage_of(self._task.uid)
        if damage is None or damage.surface is None or stock_task.built(damage) != self._task.built:
            self.report({"WARNING"}, told("The surface was changed meanwhile, so the check was dropped"))
            return {"CANCELLED"}
        return self._finish(context, damage, self._task, outcome)

    def _finish(self, context, damage, task, stock):
        damage.id_data.gaploft.show.shown = "STOCK"
        with touch_io.object_mode(context, damage.surface):  # a person may have gone on sculpting
            stock_task.keep(damage.id_data, damage, task, stock)
        show_measured(context, damage.stock.live("measured"), shown=False)
        for note in stock.notes:
            self.report({"WARNING"}, note.text)
        text = told("Stock: {volume:.2f} cm³ to remove, up to {most:.2f} mm; {spots}; {share:.0%} seen")
        one = told("1 low spot of {mm:.2f} mm")
        more = told("{n} low spots, down to {mm:.2f} mm")
        count = len(stock.low_spots)
        spots = (one if count == 1 else more).format(n=count, mm=stock.low_max_mm)
        self.report(
            {"INFO"},
            text.format(
                volume=stock.surplus_volume_mm3 / 1000.0,
                most=stock.surplus_max_mm,
                spots=spots if stock.low_spots else told("no low spot"),
                share=stock.covered_fraction,
            ),
        )
        return {"FINISHED"}


def show_measured(context, measured, *, shown):
    """Show or hide the measured scan: its surplus would cover the map on the target."""
    if measured is not None and measured.name in context.view_layer.objects:
        measured.hide_set(not shown)


class GAPLOFT_OT_show_measured(bpy.types.Operator):
    """Show the measured scan beside the target, or hide it; the scan itself is not altered"""

    bl_idname = "gaploft.show_measured"
    bl_label = "Show Measured Scan"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        damage = context.scene.gaploft.damage
        if damage is None or damage.stock.live("measured") is None:
            return polls.refused(cls, "Import the measured scan, or choose it, first")
        return True

    def execute(self, context):
        measured = context.scene.gaploft.damage.stock.live("measured")
        show_measured(context, measured, shown=measured.hide_get())
        return {"FINISHED"}


class GAPLOFT_OT_look_at_spot(bpy.types.Operator):
    """Turn the view to this low spot and put the 3D cursor on it"""

    bl_idname = "gaploft.look_at_spot"
    bl_label = "Look at Low Spot"
    bl_options = {"REGISTER", "UNDO"}

    number: IntProperty(
        name="Number", description="Number of the low spot in the list, from 1", default=1, min=1
    )

    @classmethod
    def poll(cls, context):
        damage = context.scene.gaploft.damage
        if damage is None or not damage.stock.result or not json.loads(damage.stock.result)["low_spots"]:
            return polls.refused(cls, "No low spot was found: check the stock first")
        return True

    def execute(self, context):
        scene = context.scene
        spots = json.loads(scene.gaploft.damage.stock.result)["low_spots"]
        if self.number > len(spots):
            self.report(
                {"ERROR"}, told("there are {n} low spots: give a number up to that").format(n=len(spots))
            )
            return {"CANCELLED"}
        spot = spots[self.number - 1]
        stock_task.show_place(context, spot["at_mm"], AROUND_MM)
        text = told("Low spot {n}: {mm:.3f} mm deep over {area:.1f} mm²")
        self.report({"INFO"}, text.format(n=self.number, mm=spot["depth_mm"], area=spot["area_mm2"]))
        overlay.redraw()
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_check_stock, GAPLOFT_OT_show_measured, GAPLOFT_OT_look_at_spot)
