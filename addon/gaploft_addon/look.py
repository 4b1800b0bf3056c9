"""How the 3D views show all this: their shading, put back afterwards, and the scan behind the surface."""

import json

import bpy
from mathutils import Matrix

from gaploft.errors import InputError

from . import draw, ghost_tint, overlay, shown_values

GHOST_NAME = "Scan Ghost"
GHOST = (0.62, 0.64, 0.66, 0.28)
#: Mirror-like test pictures of Blender's own, by their names in older and newer versions.
STRIPES = ("check_reflection_horizontal.exr", "reflection_check_horizontal.exr")
#: What of a view's shading we set, and put back.
SHADING = ("light", "color_type", "single_color", "show_xray", "show_cavity")


def refresh(scene):
    """Bring colours, shading and the scan's look in line with the state; what can't be shown is left out."""
    try:
        overlay.paint(scene)
    except InputError:
        scene.gaploft.show.shown = "NONE"
        overlay.paint(scene)
    show_scan(scene)
    set_shading(scene)
    overlay.redraw()


def stripes():
    """Name of the picture for reflection lines in this Blender, or None."""
    names = {light.name for light in bpy.context.preferences.studio_lights if light.type == "MATCAP"}
    return next((name for name in STRIPES if name in names), None)


def show_scan(scene):
    """Show the scan as it is, as a ghost behind the surface, or not at all; as it is until there is one."""
    state = scene.gaploft
    scan = state.live("scan")
    look = state.show.scan_look if scan is not None and shown_values.surfaces(scene) else "SOLID"
    if look == "SOLID":
        if state.show.scan_hidden and scan is not None:
            _hide(scene, scan, hidden=False)
        state.show.scan_hidden = False
    else:
        _hide(scene, scan, hidden=True)
        state.show.scan_hidden = True
    if look == "GHOST":
        _ghost(scene, scan)
    else:
        draw.remove(state.show.ghost)
        state.show.ghost = None


def set_shading(scene):
    """Set the solid shading of all 3D views to what is shown, or back to what it was."""
    show = scene.gaploft.show
    for obj in shown_values.surfaces(scene):
        # Scan and surface lie within noise of each other: without this, colours would be veiled in patches.
        obj.show_in_front = show.ghost is not None or show.shown != "NONE"
    ghost_tint.set_on(show.ghost, show.shown in shown_values.OVERLAYS)
    if show.shading_before:
        before = json.loads(show.shading_before)
        for name, shading in _shadings():
            if name in before:
                _put_back(shading, before[name])
        show.shading_before = ""
    wanted = _wanted(show)
    if wanted is not None:
        show.shading_before = json.dumps({name: _set(shading, wanted) for name, shading in _shadings()})


def _wanted(show):
    """Solid shading for what is shown, or None when the person's own will do."""
    if show.shown == "STRIPES":
        return {"light": "MATCAP", "color_type": "SINGLE", "single_color": (1.0, 1.0, 1.0)}
    if show.shown in shown_values.OVERLAYS:
        # Light and shadow would change the colours that the legend explains.
        return {"light": "FLAT", "color_type": "VERTEX", "show_cavity": True}
    return {"color_type": "OBJECT"} if show.ghost is not None else None


def _set(shading, wanted):
    """Set one view's solid shading; return what it was."""
    before = {"type": shading.type}
    shading.type = "SOLID"
    before |= {key: _plain(getattr(shading, key)) for key in SHADING}
    # Each kind of light keeps a picture of its own.
    shading.light = "MATCAP"
    before["matcap"] = shading.studio_light
    if wanted.get("light") == "MATCAP":
        shading.studio_light = stripes()
    for key, value in ({"light": before["light"], "show_xray": False} | wanted).items():
        setattr(shading, key, value)
    return before


def _put_back(shading, before):
    shading.type, shading.light = "SOLID", "MATCAP"
    shading.studio_light = before["matcap"]
    for key in SHADING:
        setattr(shading, key, before[key])
    shading.type = before["type"]


def _shadings():
    """Name and shading of every 3D view of the file."""
    for screen in bpy.data.screens:
        for number, area in enumerate(screen.areas):
            for space in area.spaces:
                if space.type == "VIEW_3D":
                    yield f"{screen.name}/{number}", space.shading  # type: ignore[attr-defined]


def _plain(value):
    """A value as JSON knows it."""
    return value if isinstance(value, (str, bool)) else list(value)


def _ghost(scene, scan):
    """A second object of the scan's own mesh, see-through and out of the way of clicks."""
    show = scene.gaploft.show
    if show.ghost is None or show.ghost.data != scan.data:
        draw.remove(show.ghost)
        show.ghost = bpy.data.objects.new(GHOST_NAME, scan.data)
    ghost = show.ghost
    draw.link(scene, ghost)
    ghost.parent = scan
    ghost.matrix_parent_inverse = ghost.matrix_basis = Matrix.Identity(4)
    ghost.color = GHOST
    ghost.hide_select = ghost.hide_render = True


def _hide(scene, obj, *, hidden):
    for layer in scene.view_layers:
        if obj.name in layer.objects:
            obj.hide_set(hidden, view_layer=layer)
