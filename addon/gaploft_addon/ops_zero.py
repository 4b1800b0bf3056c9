"""Operator: from where angles around the tube count."""

import bpy
from bpy.props import BoolProperty

from . import draw, live
from .ops_readings import damage_there, point_property
from .pointing import Pointing
from .rings import place_under, ring_of
from .words import told

ZERO = "Click the side of the tube from which angles count   |   Esc: cancel"
CLEAR = "Take the mark away: angles count from the side that faces up in the scan"


class GAPLOFT_OT_mark_zero(Pointing, bpy.types.Operator):
    """Click the side of the tube from which angles around it count, such as a pen mark"""

    bl_idname = "gaploft.mark_zero"
    bl_label = "Click Zero of Angles"
    bl_options = {"REGISTER", "UNDO"}

    point: point_property()
    clear: BoolProperty(
        name="Clear",
        description=CLEAR,
        options={"SKIP_SAVE"},
    )

    @classmethod
    def description(cls, _context, properties):
        return told(CLEAR if properties.clear else str(cls.__doc__))

    @classmethod
    def poll(cls, context):
        return damage_there(cls, context)

    def execute(self, context):
        scene, shop = context.scene, context.scene.gaploft.damage.shop
        if self.clear:
            draw.remove(shop.mark_zero)
            shop.mark_zero = None
        elif not self.properties.is_property_set("point"):
            self.report({"ERROR"}, told("give a place on the tube from which angles count, point"))
            return {"CANCELLED"}
        else:
            self._put(scene, self.point)
        live.part_changed(shop, context)
        return {"FINISHED"}

    def invoke(self, context, _event):
        if self.clear:
            return self.execute(context)
        return self._begin(context, context.scene.gaploft.scan)

    def _put(self, scene, point):
        damage = scene.gaploft.damage
        name = f"{damage.name} 0°"
        damage.shop.mark_zero = draw.show_mark(scene, damage.shop.live("mark_zero"), name, point)

    def _first(self):
        return told(ZERO)

    def _typed(self, _context, _event):
        return False

    def _pointed(self, context, scan, ray):
        self._place = place_under(self._cloud, scan, context.scene, ray)
        self._shown.live = (
            None if self._place is None else ring_of(self._cloud, scan, context.scene, self._place)
        )

    def _clicked(self, context):
        if self._place is None:
            self._tell(context, told("There is no tube: point at the tube and click"))
            return None
        self.point = self._place
        self._put(context.scene, self._place)
        live.part_changed(context.scene.gaploft.damage.shop, context)
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_mark_zero,)
