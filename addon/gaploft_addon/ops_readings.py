"""Operators: thicknesses that were measured on the tube, typed and clicked."""

import bpy
from bpy.props import EnumProperty, FloatProperty, FloatVectorProperty

from gaploft.errors import GeometryError, InputError

from . import live, mesh_io, polls, ring_draw
from .pointing import Pointing
from .rings import place_under, ring_of
from .shop_state import KINDS
from .words import label, told

ADD = "Type the reading, {mm} mm now, and click where it was taken   |   Enter or Esc: done"
#: Keys that end a number one digit earlier, and those that end the work.
BACK, DONE = {"BACK_SPACE"}, {"RET", "NUMPAD_ENTER", "RIGHTMOUSE"}
DIGITS = "0123456789."


def point_property():
    return FloatVectorProperty(
        name="Place",
        description="Place on the tube's surface, in world coordinates",
        subtype="XYZ",
        options={"SKIP_SAVE"},
    )


def damage_there(cls, context):
    """Whether there is a scan with a damage, and nothing is being clicked or edited."""
    state = context.scene.gaploft
    if state.live("scan") is None or state.damage is None or not state.damage.marked:
        return polls.refused(cls, "Mark the damage first")
    if ring_draw.drawing():
        return polls.refused(cls, "Something is being clicked already: click the tube, or stop with Esc")
    return polls.object_mode(cls, context)


class GAPLOFT_OT_add_reading(Pointing, bpy.types.Operator):
    """Click on the tube where a thickness was measured; its figure is typed before each click"""

    bl_idname = "gaploft.add_reading"
    bl_label = "Click Readings"
    bl_options = {"REGISTER", "UNDO"}

    kind: EnumProperty(name="Of", description="What was measured", items=KINDS, default="WALL")
    value_mm: FloatProperty(
        name="Reading (mm)",
        description="Thickness as measured there, in millimetres",
        precision=3,
        step=1,
    )
    point: point_property()

    @classmethod
    def poll(cls, context):
        return damage_there(cls, context)

    def execute(self, context):
        try:
            if not self.properties.is_property_set("point"):
                raise InputError(told("give a place on the tube, point, beside value_mm"))
            add_reading(context.scene, self.kind, self.value_mm, self.point)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        text = told("Reading of {mm:g} mm added, {count} in all")
        count = len(context.scene.gaploft.damage.shop.readings)
        self.report({"INFO"}, text.format(mm=round(self.value_mm, 6), count=count))
        return {"FINISHED"}

    def invoke(self, context, _event):
        self._text, self._count = f"{round(self.value_mm, 6):g}" if self.value_mm > 0.0 else "", 0
        self._fresh = True
        return self._begin(context, context.scene.gaploft.scan)

    def _first(self):
        return told(ADD).format(mm=self._text or "0")

    def _typed(self, context, event):
        if event.type in DONE:
            ring_draw.end()  # the next event ends all the rest
            return True
        if event.type in BACK:
            self._text = self._text[:-1]
        elif event.unicode and event.unicode in f"{DIGITS},":
            digit = event.unicode.replace(",", ".")
            before = "" if self._fresh else self._text
            if digit == "." and "." in before:
                return True
            self._text = before + digit
        else:
            return False
        self._fresh = False
        self._shown.note = self._note()
        self._tell(context, self._first())
        return True

    def _note(self):
        kind = next(name for key, name, _ in KINDS if key == self.kind)
        return f"{label(kind)} {self._text or '0'} mm"

    def _pointed(self, context, scan, ray):
        """The ring of the tube there, and the place under the pointer."""
        place = place_under(self._cloud, scan, context.scene, ray)
        self._place = place
        self._shown.live = None if place is None else ring_of(self._cloud, scan, context.scene, place)
        self._shown.note = self._note()

    def _clicked(self, context):
        if self._place is None:
            self._tell(context, told("There is no tube: point at the tube and click"))
            return
        try:
            self.value_mm = float(self._text.rstrip(".") or 0.0)
            add_reading(context.scene, self.kind, self.value_mm, self._place)
        except GeometryError as error:
            self._tell(context, str(error))
            return
        self.point = self._place
        self._count, self._fresh = self._count + 1, True
        self._tell(context, self._first())
        return

    def _escaped(self):
        return {"FINISHED"} if self._count else {"CANCELLED"}


def add_reading(scene, kind, value_mm, point):
    """One more reading of the damage that is worked on, at a place in world space. Raises InputError."""
    state = scene.gaploft
    if value_mm < 0.0 or (kind == "WALL" and value_mm == 0.0):
        text = told("a reading is {mm:g} mm, but a thickness is more than that: type what was measured")
        raise InputError(text.format(mm=round(value_mm, 6)))
    shop = state.damage.shop
    reading = shop.readings.add()
    shop.reading_index = len(shop.readings) - 1
    # Its fields ask for a rebuild when they are set, which comes when all of them are.
    reading.kind, reading.value_mm = kind, value_mm
    reading.place = mesh_io.to_own_mm(state.scan, scene, point) / mesh_io.unit_of(scene)[1]


class GAPLOFT_OT_remove_reading(bpy.types.Operator):
    """Take this reading off the list"""

    bl_idname = "gaploft.remove_reading"
    bl_label = "Remove Reading"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        damage = context.scene.gaploft.damage
        if damage is None or not damage.shop.readings:
            return polls.refused(cls, "There is no reading on the list")
        return True

    def execute(self, context):
        shop = context.scene.gaploft.damage.shop
        shop.readings.remove(min(shop.reading_index, len(shop.readings) - 1))
        shop.reading_index = max(0, min(shop.reading_index, len(shop.readings) - 1))
        live.part_changed(shop, context)
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_add_reading, GAPLOFT_OT_remove_reading)
