"""What a section is drawn from: rings or a patch, and the scan points on it, found once and kept."""

from dataclasses import dataclass

import bpy
import numpy as np
from mathutils import Vector

from gaploft.scan.near import points_near
from gaploft.target.patch_section import Slices, as_slices, cut_slice, points_on_patch
from gaploft.target.rings import Rings, as_rings, points_on_rings
from gaploft.target.section_view import cut_section

from . import mesh_io, overlay, surface_io
from .worker import Worker

#: Scan points further from the surface than this share of its radius are not drawn.
DEEPEST = 0.5
PAUSE_S = 0.1


@dataclass(frozen=True)
class FindPoints:
    """The work of finding the scan points on rings or on a patch; touches nothing of Blender."""

    rings: Rings | Slices
    scan: tuple[np.ndarray, np.ndarray]
    mm_per_unit: float

    def run(self, _progress):
        """Points on the surface."""
        depth = DEEPEST * self.rings.radius_mm
        points, normals = points_near(
            *self.scan,
            self.rings.points_mm.reshape(-1, 3),
            room_mm=depth,
            mm_per_unit=self.mm_per_unit,
        )
        if isinstance(self.rings, Slices):
            return points_on_patch(self.rings, points, depth_mm=depth, point_normals=normals)
        return points_on_rings(self.rings, points, depth_mm=depth, point_normals=normals)


class Section:
    """Rings of one surface, or a patch, and the points of its scan as soon as they are found."""

    def __init__(self, key, rings):
        self.key, self.rings, self._worker, self._points = key, rings, None, None
        #: The surface as changed by hand, (n, 3) in mm; None when it has to be read anew.
        self.changed_mm = None
        #: How often that was read, so that drawings know when they are old.
        self.version = 0

    @property
    def points(self):
        """Scan points on the rings, or None while they are not found."""
        if self._worker is not None and not self._worker.busy:
            outcome, self._worker = self._worker.outcome, None
            if isinstance(outcome, BaseException):
                raise outcome
            self._points = outcome
        return self._points

    @property
    def looking(self):
        """Whether the points are being looked for."""
        return self._worker is not None

    def find_points(self, scene, *, wait):
        """Find the points: now, or in a thread, with the views drawn again when it is done."""
        scan = scene.gaploft.live("scan")
        if scan is None or self._points is not None or self._worker is not None:
            return
        work = FindPoints(self.rings, mesh_io.scan_arrays(scan), mesh_io.unit_of(scene)[1])
        if wait:
            self._points = work.run(None)
            return
        self._worker = Worker(work)
        bpy.app.timers.register(self._redraw_when_found, first_interval=PAUSE_S)

    def stop(self):
        """Wait for the thread, and let the timer go."""
        if self._worker is not None:
            self._worker.wait()
        if bpy.app.timers.is_registered(self._redraw_when_found):
            bpy.app.timers.unregister(self._redraw_when_found)

    def _redraw_when_found(self):
        if self._worker is not None and self._worker.busy:
            return PAUSE_S
        overlay.redraw()
        return None


#: The section of each scene; an aid to speed that is made anew whenever it fits no longer.
_KEPT: dict[str, Section] = {}


def section_of(scene):
    """Rings of the surface worked on, or its patch, and its scan points so far; None without a surface."""
    damage = scene.gaploft.damage
    obj = None if damage is None else damage.surface
    if obj is None:
        return None
    key = _key(scene, damage)
    kept = _KEPT.get(scene.name)
    if kept is None or kept.key != key:
        if kept is not None:
            kept.stop()
        kept = _KEPT[scene.name] = Section(key, _rings(obj, scene.gaploft.scan))
    return kept


def view_of(scene):
    """The section at the station that is set, or None without a surface. Raises InputError."""
    kept = section_of(scene)
    if kept is None:
        return None
    show, obj = scene.gaploft.show, scene.gaploft.damage.surface
    if kept.changed_mm is None:
        arrays = surface_io.surface_arrays(obj, scene.gaploft.scan)
        kept.changed_mm = _outer(arrays, current=True)
        kept.version += 1
    station = show.section_share * kept.rings.length_mm
    how = {
        "exaggeration": show.section_factor,
        "changed_mm": kept.changed_mm,
        "points": kept.points,
    }
    if isinstance(kept.rings, Slices):
        return cut_slice(kept.rings, station, **how)
    return cut_section(kept.rings, station, up=up_of(scene), **how)


def length_mm(scene):
    """Length of the surface along its rings, or of a patch where it is longest; 0 without one."""
    kept = section_of(scene)
    return 0.0 if kept is None else kept.rings.length_mm


def up_of(scene):
    """What is up in the scan's own frame."""
    scan = scene.gaploft.live("scan")
    up = Vector((0.0, 0.0, 1.0))
    return (up if scan is None else mesh_io.placement(scan).to_3x3().inverted() @ up).to_tuple()


def want(scene):
    """Look for what a section needs, where one is drawn, and have it drawn."""
    if scene.gaploft.show.section_on and not bpy.app.background:
        kept = section_of(scene)
        if kept is not None:
            kept.find_points(scene, wait=False)
    overlay.redraw()


def grown_old():
    """A surface was changed: what was cut from it is old. Nothing to do while nothing is drawn."""
    for kept in _KEPT.values():
        kept.changed_mm = None


def forget():
    """Keep nothing: the file or its state is another one."""
    for kept in _KEPT.values():
        kept.stop()
    _KEPT.clear()


def _key(scene, damage):
    """What tells one surface and its scan from another, quickly."""
    scan, mesh = scene.gaploft.live("scan"), damage.surface.data
    of_scan = None if scan is None else (scan.name, len(scan.data.vertices), mesh_io.unit_of(scene)[1])
    return mesh.session_uid, len(mesh.vertices), damage.built_with, of_scan


def _rings(obj, scan):
    arrays = surface_io.surface_arrays(obj, scan)
    if not arrays.ringed:
        outer = _outer(arrays, current=False)
        return as_slices(outer, arrays.normals, arrays.band95_mm, arrays.triangles)
    on_rings = slice(arrays.shape[0] * arrays.shape[1])  # a step around a patch has points beside the rings
    outer = _outer(arrays, current=False)
    return as_rings(outer, arrays.normals[on_rings], arrays.band95_mm[on_rings], arrays.shape)


def _outer(arrays, *, current):
    """The rebuilt outer surface: layers lie between it and the target that the mesh is."""
    points = arrays.current_mm if current else arrays.computed_mm
    outer = points + arrays.depth_mm[:, None] * arrays.normals
    return outer[: arrays.shape[0] * arrays.shape[1]] if arrays.ringed else outer
