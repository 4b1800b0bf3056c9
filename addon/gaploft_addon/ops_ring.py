"""Operator: mark the damage by two clicks on the tube, with the ring there drawn as the pointer moves."""

import bpy
from bpy.props import FloatVectorProperty

from gaploft.errors import GeometryError, InputError
from gaploft.job import Damage

from . import polls, ring_draw
from .ops_damage import mark, scan_of
from .pointing import Pointing
from .rings import ring_of, ring_under
from .sight import sight_of
from .words import told

FIRST = "Click the tube where the damage begins   |   Esc: cancel"
SECOND = (
    "Click the tube where the damage ends   |   Backspace or right click: first end again   |   Esc: cancel"
)


def mark_between(context, scan, start, stop):
    """Mark the damage between two rings that were found; one sentence about it. Raises InputError."""
    damage = Damage(start.ring.centre_mm, stop.ring.centre_mm)
    return mark(context, scan, damage, (start.ring, stop.ring))


def _place(name, description):
    return FloatVectorProperty(name=name, description=description, subtype="XYZ", options={"SKIP_SAVE"})


class GAPLOFT_OT_mark_ring(Pointing, bpy.types.Operator):
    """Click the tube at both ends of the damage; a ring shows where. Esc cancels"""

    bl_idname = "gaploft.mark_ring"
    bl_label = "Click Both Ends"
    bl_options = {"REGISTER", "UNDO"}

    from_place: _place("From", "Place on the tube's surface where the damage begins, in world coordinates")
    to_place: _place("To", "Place on the tube's surface where the damage ends, in world coordinates")

    @classmethod
    def poll(cls, context):
        if scan_of(context) is None:
            return polls.refused(cls, "Import the scan, or make it the active object, first")
        if not polls.object_mode(cls, context):
            return False
        if ring_draw.drawing():
            return polls.refused(cls, "Both ends are being clicked already: click the tube, or stop with Esc")
        return True

    def execute(self, context):
        scan, scene = scan_of(context), context.scene
        context.view_layer.update()
        try:
            if not all(self.properties.is_property_set(name) for name in ("from_place", "to_place")):
                raise InputError(told("give two places on the tube, from_place and to_place"))
            sight = sight_of(scene, scan)
            cloud = sight.known or sight.run()
            ends = [ring_of(cloud, scan, scene, place) for place in (self.from_place, self.to_place)]
            if None in ends:
                raise InputError(
                    told("no tube was found at one of the two places: give places on its surface")
                )
            sentence = mark_between(context, scan, *ends)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self.report({"INFO"}, sentence)
        return {"FINISHED"}

    def invoke(self, context, _event):
        return self._begin(context, scan_of(context))

    def _first(self):
        return told(FIRST)

    def _typed(self, context, event):
        """The first end is to be clicked again."""
        if event.type not in {"BACK_SPACE", "RIGHTMOUSE"}:
            return False
        self._shown.first = None
        self._tell(context, told(FIRST))
        return True

    def _pointed(self, context, scan, ray):
        """The ring under the pointer, and the length so far."""
        self._shown.live = ring_under(self._cloud, scan, context.scene, ray)

    def _clicked(self, context):
        """Set one end; with the second, mark the damage."""
        shown = self._shown
        if shown.live is None:
            self._tell(context, told("There is no tube: point at the tube and click"))
            return None
        if shown.first is None:
            shown.first = shown.live
            self._tell(context, told(SECOND))
            return None
        ends = shown.first, shown.live
        self.from_place, self.to_place = (end.place for end in ends)
        try:
            sentence = mark_between(context, self._scan(), *ends)
        except GeometryError as error:
            self._tell(context, str(error))
            return None
        self.report({"INFO"}, sentence)
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_mark_ring,)
