"""The copy that is touched up, its lock and its points, in whatever mode it is."""

from contextlib import contextmanager

import bpy
import numpy as np

from gaploft.errors import InputError
from gaploft.evidence.hand_lock import lock_weights

from . import draw, mesh_io, surface_io

#: The lock as it was set; the sculpt mask may be painted over.
LOCK = "lock"


@contextmanager
def busy(context):
    """A cursor that says so while a second of work is done."""
    if context.window is not None:
        context.window.cursor_set("WAIT")
    try:
        yield
    finally:
        if context.window is not None:
            context.window.cursor_set("DEFAULT")


@contextmanager
def object_mode(context, obj):
    """Object Mode for as long as a mesh is written, and then the mode of before."""
    mode = obj.mode
    if mode == "OBJECT":
        yield
        return
    if mode == "SCULPT":
        # Undo steps of strokes hold the points they moved and nothing else: what is written here comes back
        # only out of a step that holds all of the file as it was before.
        bpy.ops.ed.undo_push(message="As Sculpted")
    context.view_layer.objects.active = obj
    bpy.ops.object.mode_set(mode="OBJECT")
    try:
        yield
    finally:
        bpy.ops.object.mode_set(mode=mode)


def copy_for_touching(scene, damage):
    """The copy to be changed by hand, made from the computed surface where there is none yet."""
    touched = damage.live("touched")
    if touched is not None:
        return touched
    computed = damage.live("result")
    touched = computed.copy()
    touched.data = computed.data.copy()
    touched.name = touched.data.name = "Touched-Up Surface"
    draw.link(scene, touched)
    damage.touched = touched
    return touched


def show_alone(context, damage):
    """The touched copy visible, selected and active, the computed surface hidden. Raises InputError."""
    touched, layer = damage.live("touched"), context.view_layer
    touched.hide_viewport = False
    layer.update()  # it may have been linked just now
    if layer.objects.get(touched.name) != touched:
        raise InputError(
            f"'{touched.name}' is in a collection that this view layer leaves out: take that collection in "
            "again"
        )
    touched.hide_set(False)
    if not touched.visible_get():
        raise InputError(f"'{touched.name}' is in a hidden collection: show that collection")
    computed = damage.live("result")
    if computed is not None:
        computed.hide_set(True)
        computed.hide_render = True
    for obj in context.selected_objects:
        obj.select_set(False)
    touched.select_set(True)
    layer.objects.active = touched


def show_instead(context, damage):
    """The touched copy visible in the place of the computed surface; what is selected stays so."""
    touched, computed = damage.live("touched"), damage.live("result")
    touched.hide_viewport = False
    context.view_layer.update()  # it was linked just now
    for layer in damage.id_data.view_layers:
        if touched.name in layer.objects:
            touched.hide_set(False, view_layer=layer)
        if computed.name in layer.objects:
            computed.hide_set(True, view_layer=layer)
    computed.hide_render = True


def set_lock(context, obj, lock_mm, *, keep_painted):
    """Lock the rim: the weights as an attribute of ours, and as the sculpt mask. Raises InputError."""
    surface = surface_io.surface_arrays(obj, None)
    weights = lock_weights(surface.computed_mm, surface.zone, surface.facets, lock_mm)
    with object_mode(context, obj):
        painted = values_of(obj, mesh_io.SCULPT_MASK) if keep_painted else 0.0
        put_values(obj, LOCK, weights)
        put_values(obj, mesh_io.SCULPT_MASK, np.maximum(weights, painted))


def painted_beyond_lock(obj):
    """Points whose sculpt mask was painted over most of what the lock left free, (n,) bool."""
    mask, lock = values_of(obj, mesh_io.SCULPT_MASK), values_of(obj, LOCK)
    return mask - lock > 0.5 * (1.0 - lock)


def take_painting_back(obj):
    """The sculpt mask as the lock alone would have it; in Object Mode."""
    put_values(obj, mesh_io.SCULPT_MASK, values_of(obj, LOCK))


def put_points(obj, vertices):
    """Move the points of a mesh, (n, 3) in its own units; in Object Mode."""
    obj.data.vertices.foreach_set("co", np.ascontiguousarray(vertices, dtype=np.float32).ravel())
    obj.data.update()


def values_of(obj, name):
    """A number for each point; nothing but zeros where there is no such attribute, (n,) float64."""
    with mesh_io.readable(obj) as mesh:
        attribute = mesh.attributes.get(name)
        if attribute is None:
            return np.zeros(len(mesh.vertices))
        return mesh_io.read(attribute.data, "value", np.float32, 1).astype(np.float64)


def put_values(obj, name, values):
    """Write a number for each point; in Object Mode."""
    mesh = obj.data
    attribute = mesh.attributes.get(name) or mesh.attributes.new(name, "FLOAT", "POINT")
    attribute.data.foreach_set("value", np.ascontiguousarray(values, dtype=np.float32))
    mesh.update()
