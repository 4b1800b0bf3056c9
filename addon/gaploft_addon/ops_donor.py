"""Operators: the scan of a spare section, and one place marked on it and on the broken tube."""

import bpy

from gaploft.errors import GeometryError, InputError

from . import draw, live, polls, view
from .importing import Importing, Taking
from .ops_readings import damage_there, point_property
from .pointing import Pointing
from .rings import place_under, ring_of
from .words import told

ON_TUBE = "Click a place on the broken tube that you see on the spare section, too   |   Esc: cancel"
ON_DONOR = "Now click the same place on '{name}'   |   Esc: cancel"


def _donor_of(context):
    damage = context.scene.gaploft.damage
    return None if damage is None else damage.ways.live("donor")


def _marked(cls, context):
    state = context.scene.gaploft
    there = state.live("scan") is not None and state.damage is not None and state.damage.marked
    return there or polls.refused(cls, "Mark the damage first")


class GAPLOFT_OT_import_donor(Importing, bpy.types.Operator):
    """Import the scan of a spare section: the same tube of the same model; it may lie and point anywhere"""

    bl_idname = "gaploft.import_donor"
    bl_label = "Import Spare Section"
    bl_options = {"UNDO"}

    taker = "take_donor"

    @classmethod
    def poll(cls, context):
        return _marked(cls, context) and polls.object_mode(cls, context)


class GAPLOFT_OT_take_donor(Taking, bpy.types.Operator):
    """Say the unit of the spare section that was imported a moment ago, and lay it beside the scan"""

    bl_idname = "gaploft.take_donor"
    bl_label = "Unit of the Spare Section"
    bl_options = {"UNDO", "INTERNAL"}

    title = "Unit of the Spare Section"
    told_missing = "Import the spare section first"
    told_taken = "'{name}' is the spare section: {size}"

    @classmethod
    def _there(cls, context):
        return _marked(cls, context)

    def _put(self, scene, obj):
        state = scene.gaploft
        obj.matrix_world = view.beside(state.scan, obj)
        state.damage.ways.donor = obj
        state.damage.ways.donor_on = True


class GAPLOFT_OT_mark_donor(Pointing, bpy.types.Operator):
    """Click one place on the broken tube and the same on the spare section, where it could lie in two ways"""

    bl_idname = "gaploft.mark_donor"
    bl_label = "Mark on Both"
    bl_options = {"REGISTER", "UNDO"}

    on_tube: point_property()
    on_donor: point_property()

    @classmethod
    def poll(cls, context):
        if not damage_there(cls, context):
            return False
        return _donor_of(context) is not None or polls.refused(cls, "Choose the spare section first")

    def execute(self, context):
        try:
            if not all(self.properties.is_property_set(name) for name in ("on_tube", "on_donor")):
                raise InputError(told("give one place on both, on_tube and on_donor"))
            put_marks(context, (self.on_tube, self.on_donor))
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        return {"FINISHED"}

    def invoke(self, context, _event):
        self._places, self._donor_name = [], _donor_of(context).name
        return self._begin(context, context.scene.gaploft.scan)

    def _first(self):
        return told(ON_DONOR).format(name=self._donor_name) if self._places else told(ON_TUBE)

    def _typed(self, _context, _event):
        return False

    def _pointed(self, context, scan, ray):
        self._place = place_under(self._cloud, scan, context.scene, ray)
        self._shown.live = (
            None if self._place is None else ring_of(self._cloud, scan, context.scene, self._place)
        )
        self._shown.note = f"{len(self._places) + 1} / 2"

    def _clicked(self, context):
        if self._place is None:
            self._tell(context, told("There is no tube: point at the tube and click"))
            return None
        self._places.append(self._place)
        if len(self._places) == 2:
            self.on_tube, self.on_donor = self._places
            put_marks(context, self._places)
            return {"FINISHED"}
        return self._go_on(context)

    def _go_on(self, context):
        """From the broken tube to the spare section."""
        donor = bpy.data.objects.get(self._donor_name)
        try:
            if donor is None:
                raise InputError(told("the spare section is gone: choose it again"))
            self._look_at(context, donor)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self._shown.live, self._shown.note = None, ""
        self._ready(context)
        return None


def put_marks(context, places):
    """Mark two places in world space: on the broken tube, and on the spare section."""
    scene = context.scene
    damage, donor = scene.gaploft.damage, _donor_of(context)
    ways = damage.ways
    ways.mark_on_tube = draw.show_mark(scene, ways.live("mark_on_tube"), f"{damage.name} Here", places[0])
    ways.mark_on_donor = draw.show_mark(
        scene, ways.live("mark_on_donor"), f"{donor.name} Here", places[1], on=(donor, ways, "donor_frame")
    )
    context.view_layer.update()
    live.part_changed(ways, context)


class GAPLOFT_OT_clear_donor_marks(bpy.types.Operator):
    """Take both marks away: the intact tube alone decides where the spare section lies"""

    bl_idname = "gaploft.clear_donor_marks"
    bl_label = "Clear Marks"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        damage = context.scene.gaploft.damage
        marks = () if damage is None else (damage.ways.mark_on_tube, damage.ways.mark_on_donor)
        return any(marks) or polls.refused(cls, "Nothing is marked on the spare section")

    def execute(self, context):
        ways = context.scene.gaploft.damage.ways
        for field in ("mark_on_tube", "mark_on_donor"):
            draw.remove(getattr(ways, field))
            setattr(ways, field, None)
        live.part_changed(ways, context)
        return {"FINISHED"}


class GAPLOFT_FH_donor(bpy.types.FileHandler):
    """Scans of a spare section, dropped into the 3D view once one is asked for"""

    bl_idname = "GAPLOFT_FH_donor"
    bl_label = "Spare Section for Gaploft"
    bl_import_operator = "gaploft.import_donor"
    bl_file_extensions = ".stl;.ply;.obj"

    @classmethod
    def poll_drop(cls, context):
        damage = context.scene.gaploft.damage
        in_view = context.area is not None and context.area.type == "VIEW_3D"
        return in_view and damage is not None and damage.marked and damage.ways.donor_on


CLASSES = (
    *(GAPLOFT_OT_import_donor, GAPLOFT_OT_take_donor, GAPLOFT_OT_mark_donor),
    *(GAPLOFT_OT_clear_donor_marks, GAPLOFT_FH_donor),
)
