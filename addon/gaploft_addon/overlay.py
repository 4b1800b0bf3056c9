"""Values on our surfaces as colours: an attribute of the mesh, so that it stays in the file without us."""

import zlib
from dataclasses import dataclass

import bpy
import numpy as np

from gaploft.errors import InputError
from gaploft.report.colours import Shown, come_to, signed_scale, width_scale, zone_rgba
from gaploft.target.seen import moved_outward

from . import mesh_io

SCAN_DISTANCE = "scan_distance"
#: The attribute with the colours.
COLOURS = "gaploft_shown"
#: What is shown as colours of a scale or of two zones; the rest leaves the surface plain.
OVERLAYS = ("SCAN", "BAND", "ZONE", "HAND")


@dataclass(frozen=True)
class Painted:
    """What is on the surfaces just now: which and what, where their points were, and what it comes to."""

    key: tuple
    points: tuple[int, ...]
    worst: Shown | None


#: What was painted last in each scene, so that drawing a legend costs nothing.
_PAINTED: dict[str, Painted] = {}


def surfaces(scene):
    """The surfaces that count, one for each damage that has any."""
    return [damage.surface for damage in scene.gaploft.damages if damage.surface is not None]


def scale_of(show):
    """The colour scale of what is shown, or None."""
    # As typed, not its neighbour in single precision: the legend's numbers are to be round.
    tolerance = float(f"{show.tolerance_mm:.6g}")
    if show.shown in {"SCAN", "HAND"}:
        return signed_scale(tolerance)
    return width_scale(tolerance) if show.shown == "BAND" else None


def values_mm(obj, shown):
    """What is shown at each vertex of a surface, (n,), in mm; for zones their numbers. Raises InputError."""
    with mesh_io.readable(obj) as mesh:
        if shown == "BAND":
            return _read(mesh, "band95", obj.name)
        if shown == "ZONE":
            return _read(mesh, "zone", obj.name)
        by_hand = _by_hand(mesh, obj.name)
        if shown == "HAND":
            return by_hand
        return _read(mesh, SCAN_DISTANCE, obj.name) - by_hand


def paint(scene):
    """Bring the colours of all surfaces up to date. Raises InputError when there is nothing to show."""
    show = scene.gaploft.show
    objects = surfaces(scene)
    if show.shown not in OVERLAYS:
        for obj in objects:
            wipe(obj.data)
        _PAINTED.pop(scene.name, None)
        return
    values = [values_mm(obj, show.shown) for obj in objects]
    scale = scale_of(show)
    for obj, of_one in zip(objects, values, strict=True):
        _write_colours(obj, zone_rgba(of_one) if scale is None else scale.rgba(of_one))
    _remember(scene, objects, values)


def painted(scene):
    """What the surfaces show just now; worked out once when a file was opened or a step undone."""
    found = _PAINTED.get(scene.name)
    if found is None or found.key != _key(scene):
        objects = surfaces(scene)
        found = _remember(scene, objects, [values_mm(obj, scene.gaploft.show.shown) for obj in objects])
    return found


def outdated(scene):
    """Whether hand work has gone on since the colours were painted."""
    found = _PAINTED.get(scene.name)
    return found is None or found.key != _key(scene) or found.points != _points(surfaces(scene))


def forget():
    """Keep nothing: the file or its state is another one."""
    _PAINTED.clear()


def wipe(mesh):
    """Take the colours off a mesh."""
    attribute = mesh.attributes.get(COLOURS)
    if attribute is not None:
        mesh.attributes.remove(attribute)


def _remember(scene, objects, values):
    scale = scale_of(scene.gaploft.show)
    worst = None if scale is None or not values else come_to(scale, np.concatenate(values))
    _PAINTED[scene.name] = Painted(_key(scene), _points(objects), worst)
    return _PAINTED[scene.name]


def _key(scene):
    show = scene.gaploft.show
    return tuple(obj.data.session_uid for obj in surfaces(scene)), show.shown, show.tolerance_mm


def _points(objects):
    """A number for where the points of each object's mesh are."""
    return tuple(zlib.crc32(mesh_io.positions(obj.data)) for obj in objects)


def _by_hand(mesh, name):
    now = mesh_io.positions(mesh)
    moved = moved_outward(_read(mesh, "computed", name, 3), now, _read(mesh, "computed_normal", name, 3))
    return moved * float(mesh["gaploft_mm_per_unit"])


def _read(mesh, attribute, name, width=1):
    found = mesh.attributes.get(attribute)
    if found is None or len(found.data) != len(mesh.vertices):
        raise InputError(
            f"'{name}' does not know its {attribute.replace('_', ' ')}: rebuild the surface to show it"
        )
    return mesh_io.read(found.data, "vector" if width == 3 else "value", np.float32, width)


def _write_colours(obj, colours):
    """Colours on the vertices of an object's mesh, shown wherever attribute colours are."""
    mesh = obj.data
    if obj.mode == "EDIT":  # attributes can't be written there; leaving it paints again
        return
    attribute = mesh.attributes.get(COLOURS)
    if attribute is None:
        attribute = mesh.attributes.new(COLOURS, "FLOAT_COLOR", "POINT")
    attribute.data.foreach_set("color", np.ascontiguousarray(colours).ravel())
    mesh.attributes.active_color_name = COLOURS
    mesh.update()


def redraw():
    """Have all 3D views drawn again."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()
