"""Values on our surfaces as colours: an attribute of the mesh, so that it stays in the file without us."""

import zlib
from dataclasses import dataclass

import bpy
import numpy as np

from gaploft.errors import InputError
from gaploft.report.colours import ColourScale, Shown, come_to, origin_rgba, zone_rgba
from gaploft.target.seen import moved_outward

from . import mesh_io
from .shown_values import (
    ASKED_FOR,
    BETWEEN,
    OVERLAYS,
    SCAN_DISTANCE,
    attribute_of,
    can_show,
    scale_of,
    surfaces,
)
from .words import told

#: Colours of values that are no lengths.
OF_KINDS = {"ZONE": zone_rgba, "ORIGIN": origin_rgba}
#: The attribute with the colours.
COLOURS = "gaploft_shown"


@dataclass(frozen=True, eq=False)
class Painted:
    """What is on the surfaces just now: which and what, where their points were, and what it comes to.

    ``span_mm`` are the least and the greatest of the values that were seen.
    """

    key: tuple
    points: tuple[int, ...]
    worst: Shown | None
    scale: ColourScale | None
    span_mm: tuple[float, float] | None


#: What was painted last in each scene, so that drawing a legend costs nothing.
_PAINTED: dict[str, Painted] = {}


def values_mm(obj, shown, attribute=None):
    """What is shown at each vertex of a surface, (n,), in mm; of kinds their numbers. Raises InputError.

    ``attribute`` is that of :func:`attribute_of`, where more than one could be meant.
    """
    attribute = attribute or ASKED_FOR.get(shown)
    with mesh_io.readable(obj) as mesh:
        if shown == "BAND":
            return _read(mesh, "band95", obj.name)
        if shown == "ZONE":
            return _read(mesh, "zone", obj.name)
        if shown in {"REACH", "STOCK", "ORIGIN", *BETWEEN}:
            return _asked_for(mesh, attribute)
        by_hand = _by_hand(mesh, obj.name)
        if shown == "HAND":
            return by_hand
        if shown in ASKED_FOR:  # what the hand has added lies less deep, and leaves more wall
            return _asked_for(mesh, attribute) + (by_hand if shown == "WALL" else -by_hand)
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
    if objects and not can_show(scene, show.shown):
        raise InputError(told("what is shown is not known of this surface: show something else"))
    values = _values(scene, objects)
    scale = scale_of(scene)
    for obj, of_one in zip(objects, values, strict=True):
        _write_colours(obj, OF_KINDS[show.shown](of_one) if scale is None else scale.rgba(of_one))
    _remember(scene, objects, values)


def _values(scene, objects):
    shown = scene.gaploft.show.shown
    return [values_mm(obj, shown, attribute_of(scene, shown)) for obj in objects]


def painted(scene):
    """What the surfaces show just now; worked out once when a file was opened or a step undone."""
    found = _PAINTED.get(scene.name)
    if found is None or found.key != _key(scene):
        objects = surfaces(scene)
        found = _remember(scene, objects, _values(scene, objects))
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
    scale = scale_of(scene)
    joined = np.concatenate(values) if values else np.empty(0)
    worst = None if scale is None or not values else come_to(scale, joined)
    seen = joined[np.isfinite(joined)]
    span = (float(seen.min()), float(seen.max())) if len(seen) else None
    _PAINTED[scene.name] = Painted(_key(scene), _points(objects), worst, scale, span)
    return _PAINTED[scene.name]


def _key(scene):
    show = scene.gaploft.show
    which = tuple(obj.data.session_uid for obj in surfaces(scene))
    return which, show.shown, show.tolerance_mm, show.stock_range_mm, show.difference_to


def _points(objects):
    """A number for where the points of each object's mesh are."""
    return tuple(zlib.crc32(mesh_io.positions(obj.data)) for obj in objects)


def _asked_for(mesh, name):
    """What was asked for of some damages and not of others: NaN where it was not."""
    attribute = mesh.attributes.get(name)
    if attribute is None:
        return np.full(len(mesh.vertices), np.nan, dtype=np.float32)
    return mesh_io.read(attribute.data, "value", np.float32, 1)


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
