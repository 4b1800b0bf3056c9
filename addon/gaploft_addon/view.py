"""The 3D views: showing the whole scan, and rays from a pointer into it."""

import numpy as np
from bpy_extras import view3d_utils
from mathutils import Matrix, Vector

from . import mesh_io

#: Nearest and furthest that is drawn, in lengths of the scan: single precision tells surfaces apart between.
NEAREST, FURTHEST = 1e-3, 100.0
#: Room between two things that are laid beside each other, as a share of both their widths.
ASIDE = 0.1
#: Events of looking around, which go on while a tool waits for its clicks.
NAVIGATION = {
    *(
        "INBETWEEN_MOUSEMOVE",
        "MIDDLEMOUSE",
        "WHEELUPMOUSE",
        "WHEELDOWNMOUSE",
        "WHEELINMOUSE",
        "WHEELOUTMOUSE",
    ),
    *("TRACKPADPAN", "TRACKPADZOOM", "MOUSEROTATE", "MOUSESMARTZOOM", "NDOF_MOTION", "HOME", "NUMPAD_PERIOD"),
    *(f"NUMPAD_{k}" for k in range(10)),
    *("TIMER", "WINDOW_DEACTIVATE", "LEFT_ALT", "LEFT_CTRL", "LEFT_SHIFT", "ACCENT_GRAVE"),
}


def show_whole(context, scan):
    """Let all 3D views of the window show the whole scan and clip none of it."""
    corners = np.array([scan.matrix_world @ Vector(corner) for corner in scan.bound_box])
    size = float(np.linalg.norm(np.ptp(corners, axis=0)))
    for area in context.screen.areas if context.screen else ():
        if area.type != "VIEW_3D":
            continue
        space = area.spaces.active
        space.clip_start, space.clip_end = NEAREST * size, FURTHEST * size
        region = space.region_3d
        if region.view_perspective == "CAMERA":
            region.view_perspective = "PERSP"
        region.view_location, region.view_distance = corners.mean(axis=0), 1.3 * size
        area.tag_redraw()


def look_at(context, world_point, away, size):
    """Let all 3D views of the window look at a place from the side that a direction points to."""
    for area in context.screen.areas if context.screen else ():
        if area.type != "VIEW_3D":
            continue
        region = area.spaces.active.region_3d
        if region.view_perspective == "CAMERA":
            region.view_perspective = "PERSP"
        region.view_location, region.view_distance = world_point, size
        region.view_rotation = Vector(away).to_track_quat("Z", "Y")
        area.tag_redraw()


def beside(scan, obj):
    """Where an object is to stand so that its bounding box lies beside that of the scan, turned as it is."""
    there, here = (np.array([o.matrix_world @ Vector(corner) for corner in o.bound_box]) for o in (scan, obj))
    away = there.mean(axis=0) - here.mean(axis=0)
    room = ASIDE * (np.ptp(there[:, 0]) + np.ptp(here[:, 0]))
    away[0] = there[:, 0].max() + room - here[:, 0].min()
    return Matrix.Translation(away.tolist()) @ obj.matrix_world


def extent(scan, scene):
    """Edges of a mesh's bounding box in Blender units of its own frame, (3,)."""
    return mesh_io.scan_extent_mm(scan, scene) / mesh_io.unit_of(scene)[1]


def size_text(extent_mm):
    """A size for people, largest edge first, in millimetres."""
    edges = (f"{edge:,.0f}" if edge >= 100.0 else f"{edge:.3g}" for edge in sorted(extent_mm, reverse=True))
    return " × ".join(edges) + " mm"


def region_at(window, x, y):
    """The 3D view's area and main region at a place of a window, or None where something lies over it."""
    for area in window.screen.areas:
        if area.type != "VIEW_3D":
            continue
        hit = [region for region in area.regions if _within(region, x, y)]
        if hit and all(region.type == "WINDOW" for region in hit):
            return area, hit[0]
    return None


def _within(region, x, y):
    if region.alignment == "FLOAT" or min(region.width, region.height) <= 1:
        return False
    return 0 <= x - region.x < region.width and 0 <= y - region.y < region.height


def ray_at(region, region_3d, place, scan):
    """Origin and direction in world space of the ray under a place of a region, (3,) each.

    In a view without perspective Blender lets rays begin anywhere, so they are put before all of the scan.
    """
    origin = np.array(view3d_utils.region_2d_to_origin_3d(region, region_3d, place))
    direction = np.array(view3d_utils.region_2d_to_vector_3d(region, region_3d, place))
    if not region_3d.is_perspective:
        corners = np.array([scan.matrix_world @ Vector(corner) for corner in scan.bound_box])
        origin = origin + ((corners - origin) @ direction).min() * direction
        origin = origin - float(np.ptp(corners, axis=0).max()) * direction
    return origin, direction


def redraw(context):
    """Have all 3D views of the window drawn anew."""
    for area in context.screen.areas if context.screen else ():
        if area.type == "VIEW_3D":
            area.tag_redraw()
