"""Operators: say where the tube is damaged."""

from dataclasses import replace

import bpy
import numpy as np
from bpy.props import EnumProperty, FloatVectorProperty
from mathutils import Vector

from gaploft.errors import GeometryError, InputError
from gaploft.job import Damage
from gaploft.tube.region import damage_from_region

from . import draw, mesh_io, polls, region_io
from .words import told

WAYS = (
    (
        "AUTO",
        "Whatever Is There",
        "Given points, else the selection, else two selected empties, else set points, else the painted area",
    ),
    ("POINTS", "Two Points", "The points From and To"),
    ("SELECTION", "Selection", "What is selected on the scan in Edit Mode"),
    (
        "PAINTED",
        "Painted Area",
        "The attribute or vertex group gaploft_damage, or the mask painted in Sculpt Mode",
    ),
)


def find_scan(context):
    """The active mesh unless it is one of ours, else the scan used before, else None."""
    state = context.scene.gaploft
    active = context.active_object
    if active is not None and active.type == "MESH" and not any(d.holds(active) for d in state.damages):
        return active
    return state.live("scan")


def scan_of(context):
    """The scan of the job, also when another mesh is active; without one, what could be it, or None."""
    return context.scene.gaploft.live("scan") or find_scan(context)


def mark(context, scan, damage, rings=(None, None)):
    """Make a damage that of the list's entry that is worked on; one sentence about it. Raises InputError.

    ``rings`` are those of the tube at both ends, as the library finds them, where they are known.
    """
    length_mm = float(np.linalg.norm(damage.to_mm - damage.from_mm))
    if not length_mm > 0.0:
        raise InputError("both ends of the damage are at the same place: give two different points")
    scene, state = context.scene, context.scene.gaploft
    state.scan = scan
    entry = state.damage or state.add_damage()
    draw.show_marks(scene, entry, scan, (damage.from_mm, damage.to_mm))
    for end, ring in zip((entry.mark_from, entry.mark_to), rings, strict=True):
        _shape(end, ring, mesh_io.unit_of(scene)[1])
    draw.show_area(scene, entry, scan, damage.source_vertices)
    context.view_layer.update()
    text = told("Damage of {length:.1f} mm marked on '{name}', {side}")
    return text.format(length=length_mm, name=scan.name, side=_where(damage.source_vertices))


def _shape(end, ring, mm_per_unit):
    """Let a mark look like the ring around the tube, just outside it, or else like a point."""
    end.empty_display_type = "SPHERE" if ring is None else "CIRCLE"
    if ring is not None:
        reach_mm = np.linalg.norm(ring.outline_mm - ring.centre_mm, axis=1).max()
        end.empty_display_size = 1.05 * reach_mm / mm_per_unit
        end.rotation_mode = "QUATERNION"  # Blender draws the circle around the empty's y axis
        end.rotation_quaternion = Vector(ring.direction).to_track_quat("Y", "Z")


def _where(source_vertices):
    if source_vertices is None:
        return told("all round")
    return told("{count:,} points").format(count=len(source_vertices))


class GAPLOFT_OT_mark_damage(bpy.types.Operator):
    """Mark where the tube is damaged: from two points, the selection, or a painted area of the scan"""

    bl_idname = "gaploft.mark_damage"
    bl_label = "Mark Damage"
    bl_options = {"REGISTER", "UNDO"}

    way: EnumProperty(
        name="From", description="What the damage is read from", items=WAYS, options={"SKIP_SAVE"}
    )
    from_point: FloatVectorProperty(
        name="From",
        description="Beginning of the damage in world coordinates, near the tube's centreline",
        options={"SKIP_SAVE"},
    )
    to_point: FloatVectorProperty(
        name="To",
        description="End of the damage in world coordinates, near the tube's centreline",
        options={"SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context):
        if find_scan(context) is None:
            return polls.refused(cls, "Make the scan the active object first: a mesh of the broken tube")
        return True

    def execute(self, context):
        scan = find_scan(context)
        context.view_layer.update()
        try:
            sentence = mark(context, scan, self._damage(context, scan))
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self.report({"INFO"}, sentence)
        return {"FINISHED"}

    def _damage(self, context, scan):
        """Read the damage in the way asked for."""
        given = [self.properties.is_property_set(name) for name in ("from_point", "to_point")]
        if any(given) and not all(given):
            raise InputError(
                "one end of the damage was given and two are needed: give from_point and to_point"
            )
        if all(given):
            return _between(context, scan, self.from_point, self.to_point)
        state = context.scene.gaploft
        set_points = tuple(state.from_point) != tuple(state.to_point)
        empties = [o for o in context.selected_objects if o.type == "EMPTY"]
        editing = scan.mode == "EDIT"
        if self.way == "SELECTION" or (self.way == "AUTO" and editing):
            return _from_selection(scan, context.scene)
        if self.way in {"POINTS", "AUTO"} and len(empties) == 2:
            empties.sort(key=lambda o: (o is state.mark_to, o.name))
            return _between(context, scan, *(o.matrix_world.translation for o in empties))
        if self.way == "POINTS" or (self.way == "AUTO" and set_points):
            if not set_points:
                raise InputError(
                    "no points are set: set From and To, or select two empties at the ends of the damage"
                )
            return _between(context, scan, state.from_point, state.to_point)
        return _from_paint(scan, context.scene)


def _between(context, scan, start, stop):
    return Damage(*(mesh_io.to_own_mm(scan, context.scene, point) for point in (start, stop)))


def _from_selection(scan, scene):
    if scan.mode != "EDIT":
        raise InputError(
            f"'{scan.name}' is not in Edit Mode: select the damaged area there and mark it again"
        )
    return _from_mask(scan, scene, region_io.selected_vertices(scan))


def _from_paint(scan, scene):
    mask = region_io.painted_vertices(scan)
    if mask is None:
        raise InputError(
            "nothing says where the damage is: set two points, select the damaged area in Edit Mode, "
            "or paint it with the mask brush in Sculpt Mode"
        )
    return _from_mask(scan, scene, mask)


def _from_mask(scan, scene, mask):
    vertices, _ = mesh_io.scan_arrays(scan)
    vertices_mm = vertices.astype(np.float64) * mesh_io.unit_of(scene)[1]
    damage = damage_from_region(vertices_mm, mask, mesh_io.vertex_normals(scan))
    entry = scene.gaploft.damage
    if entry is not None and entry.patch.use == "NEVER":
        return damage
    # To a patch the very area counts, also all round; a tube that it goes round needs its two ends alone.
    return replace(damage, source_vertices=np.flatnonzero(mask))


CLASSES = (GAPLOFT_OT_mark_damage,)
