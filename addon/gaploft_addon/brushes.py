"""A small set of sculpting brushes for hundredths of a millimetre, made in the file that is open."""

from dataclasses import dataclass, field

import bpy

from . import mesh_io

#: Radius of a brush to begin with, mm.
RADIUS_MM = 5.0


@dataclass(frozen=True)
class Kind:
    """One brush: Blender's type for it, its own name, and how it is set."""

    label: str
    icon: str
    tip: str
    tool: str
    settings: dict = field(default_factory=dict)
    #: Keeps a wide brush off the wall behind: here by what faces the viewer.
    automask: str = "use_automasking_view_normal"


#: No brush of ours fits planes: on a wall of 16 mm radius, one of 5 mm radius would leave a flat 0.8 mm deep.
#: Smoothing by neighbours' means pulls round walls inwards, too, so ours keeps the shape it finds.
#: Layers stop at a height, and Move follows the hand by a twentieth of its way: both stay in hundredths.
KINDS = {
    "FILL": Kind(
        "Fill",
        "ADD",
        "Add material where the surface is low; one stroke adds no more than is set",
        "LAYER",
        {"direction": "ADD", "use_space_attenuation": False},
    ),
    "PARE": Kind(
        "Pare",
        "REMOVE",
        "Take material off where the surface is high; one stroke takes no more than is set",
        "LAYER",
        {"direction": "SUBTRACT", "use_space_attenuation": False},
    ),
    "SMOOTH": Kind(
        "Smooth",
        "MOD_SMOOTH",
        "Even out small bumps and hollows without pulling a round wall inwards",
        "SMOOTH",
        {
            "smooth_deform_type": "SURFACE",
            "surface_smooth_iterations": 4,
            "surface_smooth_shape_preservation": 0.2,
            "surface_smooth_current_vertex": 0.5,
        },
    ),
    "MOVE": Kind(
        "Move",
        "VIEW_PAN",
        "Pull the surface along with the hand, by a twentieth of the hand's way",
        "GRAB",
        {"strength": 0.05},
        # Pulling works at the outline, which does not face the viewer.
        automask="use_automasking_topology",
    ),
    "MARK": Kind(
        "Mark",
        "BRUSH_DATA",
        "Paint over what is to go back to where it was computed",
        "MASK",
    ),
}


def name_of(kind):
    """The brush's name in Blender's lists."""
    return f"Gaploft {KINDS[kind].label}"


def active_kind(context):
    """Which of our brushes is in use, or None."""
    brush = context.tool_settings.sculpt.brush if context.tool_settings.sculpt else None
    names = {name_of(kind): kind for kind in KINDS}
    return None if brush is None else names.get(brush.name)


def take(context, kind):
    """Make a brush of ours the one in use, in Sculpt Mode."""
    brush = _made(context.scene, kind)
    if bpy.app.version < (4, 3, 0):
        context.tool_settings.sculpt.brush = brush
        return
    # Brushes are assets since 4.3; those of the open file count as well.
    activate = bpy.ops.brush.asset_activate  # type: ignore[attr-defined]
    activate(asset_library_type="LOCAL", relative_asset_identifier=f"Brush/{brush.name}")


def prepare(context):
    """Sizes in lengths of the scene and strengths of each brush's own, without mirroring or tiling."""
    sculpt, mesh = context.tool_settings.sculpt, context.active_object.data
    unified = unified_settings(context)
    unified.use_unified_strength = False
    if unified.use_locked_size != "SCENE":
        _set_radius(unified, context.scene)
    for axis in "xyz":
        setattr(mesh, f"use_mirror_{axis}", False)
        setattr(sculpt, f"tile_{axis}", False)
        setattr(sculpt, f"lock_{axis}", False)
    # Blender 5 keeps it in the mesh.
    holder = sculpt if hasattr(sculpt, "radial_symmetry") else mesh
    holder.radial_symmetry = (1, 1, 1)


def set_layer(scene):
    """Give the layers of Fill and Pare the height that is set."""
    for kind in ("FILL", "PARE"):
        brush = bpy.data.brushes.get(name_of(kind))
        if brush is not None:
            brush.height = scene.gaploft.touch.layer_mm / mesh_io.unit_of(scene)[1]


def unified_settings(context):
    """What Blender shares between brushes; Blender 5 keeps it in each mode's settings."""
    sculpt = context.tool_settings.sculpt
    holder = sculpt if hasattr(sculpt, "unified_paint_settings") else context.tool_settings
    return holder.unified_paint_settings


def size_setting(context):
    """Where Blender keeps the size of the brush in use: what holds it, its name there, and what it is."""
    unified = unified_settings(context)
    holder = unified if unified.use_unified_size else context.tool_settings.sculpt.brush
    if hasattr(holder, "unprojected_size"):
        return holder, "unprojected_size", "Brush Diameter"
    return holder, "unprojected_radius", "Brush Radius"


def _made(scene, kind):
    """Our brush of a kind; as its user has set it, if it is there already."""
    brush = bpy.data.brushes.get(name_of(kind))
    if brush is None:
        brush = bpy.data.brushes.new(name_of(kind), mode="SCULPT")
        brush.use_fake_user = True
        tool = "sculpt_brush_type" if hasattr(brush, "sculpt_brush_type") else "sculpt_tool"
        setattr(brush, tool, KINDS[kind].tool)
        for setting, value in {"strength": 1.0, **KINDS[kind].settings}.items():
            setattr(brush, setting, value)
        setattr(getattr(brush, "mesh_automasking_settings", brush), KINDS[kind].automask, True)
        _set_radius(brush, scene)
    if bpy.app.version >= (4, 3, 0) and brush.asset_data is None:
        brush.asset_mark()
    set_layer(scene)
    return brush


def _set_radius(holder, scene):
    holder.use_locked_size = "SCENE"
    radius = RADIUS_MM / mesh_io.unit_of(scene)[1]
    if hasattr(holder, "unprojected_size"):
        holder.unprojected_size = 2.0 * radius
    else:
        holder.unprojected_radius = radius
