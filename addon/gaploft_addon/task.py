"""One rebuild between Blender and the library: what goes in, the work itself, and what comes back."""

import json
from dataclasses import dataclass

import numpy as np

from gaploft.evidence.rim import rim_edges
from gaploft.job import Job
from gaploft.pipeline import rebuild, rebuild_changed
from gaploft.report.model import Rebuild, Stages
from gaploft.report.numbers import as_dict
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from gaploft.scan.near import points_near
from gaploft.target.seen import scan_distance

from . import draw, look, mesh_io, overlay, surface_io
from .settings import job_key, job_of

#: The same work gives the same surface; this is for the last digit of another processor, mm.
SAME_MM = 1e-6
#: Dents deeper than this share of the tube's radius are no longer measured from its surface.
DEEPEST = 0.5


@dataclass(frozen=True)
class Kept:
    """What one rebuild left behind, the scan that it was of, and how far that lies from the surface in mm."""

    sha256: str
    mm_per_unit: float
    rebuilt: Rebuild
    stages: Stages
    scan_mm: np.ndarray | None


#: Earlier rebuilds by the number of their damage, the last ones last: an aid to speed and nothing else, since
#: each is held against the scan and the damage before it is used.
_KEPT: dict[int, Kept] = {}
_MOST_KEPT = 3


@dataclass(frozen=True)
class Task:
    """All that one rebuild needs, taken out of Blender before the work begins."""

    vertices: np.ndarray
    faces: np.ndarray
    mm_per_unit: float
    file: str
    unit: str
    job: Job
    uid: int

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread."""
        sha256 = mesh_io.fingerprint(self.vertices, self.faces)
        kept = _KEPT.get(self.uid)
        if kept is not None and (kept.sha256, kept.mm_per_unit) != (sha256, self.mm_per_unit):
            kept = None
        if kept is not None and kept.stages.job.damage.same_as(self.job.damage):
            rebuilt = rebuild_changed(kept.stages, self.job, progress=progress)
        else:
            source = ScanSource(self.file, sha256, self.unit, len(self.vertices), len(self.faces))
            scan = scan_from_arrays(
                self.vertices, self.faces, mm_per_unit=self.mm_per_unit, source=source, progress=progress
            )
            rebuilt = rebuild(scan, self.job, progress=progress)
        _KEPT.pop(self.uid, None)
        if rebuilt.stages is not None:
            same = kept is not None and _same_outer(kept.rebuilt.target, rebuilt.target)
            scan_mm = kept.scan_mm if kept is not None and same else self._scan_distance(rebuilt, progress)
            _keep(self.uid, Kept(sha256, self.mm_per_unit, rebuilt, rebuilt.stages, scan_mm))
        return rebuilt

    def _scan_distance(self, rebuilt, progress):
        """Distance of the scan from the rebuilt outer surface at the target's vertices, (n,); or None."""
        target = rebuilt.target
        if target is None:
            return None
        progress("mesh", 1.0)
        depth = DEEPEST * rebuilt.stages.tube.radius_mm
        outer = target.outer_mm  # layers lie between the target and what was scanned
        points, normals = points_near(
            self.vertices, self.faces, outer, room_mm=depth, mm_per_unit=self.mm_per_unit
        )
        return scan_distance(outer, target.normals, points, depth_mm=depth, point_normals=normals)


def _same_outer(before, now):
    """Whether two targets lie below the same places of the outer surface."""
    return before is not None and now is not None and np.array_equal(before.outer_mm, now.outer_mm)


def known(uid, surface):
    """The rebuild that a surface is of, from :func:`surface_io.surface_arrays`, while it is kept; or None."""
    kept = _KEPT.get(uid)
    return kept.rebuilt if kept is not None and is_of(kept.rebuilt, surface) else None


def is_of(rebuilt, surface):
    """Whether a rebuild gave this very surface, but for the single precision that it is kept in."""
    target = rebuilt.target
    if target is None or len(target.vertices_mm) != len(surface.computed_mm):
        return False
    off_mm = np.abs(target.vertices_mm - surface.computed_mm).max()
    return bool(off_mm <= 2.0 * surface.rounding_mm + SAME_MM)


def _keep(uid, kept):
    _KEPT[uid] = kept
    while len(_KEPT) > _MOST_KEPT:
        _KEPT.pop(next(iter(_KEPT)))


def forget():
    """Keep nothing of earlier rebuilds; the next one starts with the scan."""
    _KEPT.clear()


def task_of(scene, damage):
    """Take the scan and the job of a damage out of a scene. Raises InputError."""
    scan = scene.gaploft.scan
    vertices, faces = mesh_io.scan_arrays(scan)
    unit, mm_per_unit = mesh_io.unit_of(scene)
    return Task(vertices, faces, mm_per_unit, scan.name, unit, job_of(scene, damage), damage.uid)


def keep(scene, damage, rebuilt):
    """Put the outcome of a rebuild into the scene; return the one sentence of a refusal, or None."""
    report = as_dict(rebuilt, None)
    if rebuilt.target is not None:
        report["target"]["chord_error_mm"] = rebuilt.target.chord_error_mm
    damage.report = json.dumps(report)
    # Of the job that was done: settings may have been changed since it was taken out of the scene.
    key = job_key(rebuilt.job, mesh_io.unit_of(scene)[1])
    damage.built_with = json.dumps([float(value) for value in key])
    if rebuilt.target is None:
        draw.remove(damage.result)
        draw.remove(damage.touched)
        draw.show_parts(scene, damage, {})
        look.refresh(scene)
        return rebuilt.warnings[-1].text
    rims = rim_edges(rebuilt.target.quads, rebuilt.target.zone == 1)
    mesh = surface_io.surface_mesh("Rebuilt Surface", rebuilt.target, mesh_io.unit_of(scene)[1], rims)
    _write_shop_values(mesh, rebuilt.shop)
    kept = _KEPT.get(damage.uid)
    if kept is not None and kept.scan_mm is not None:
        surface_io.write_values(mesh, overlay.SCAN_DISTANCE, kept.scan_mm)
    surface = draw.show_surface(scene, damage, mesh)
    surface["verdict"] = rebuilt.verdict
    surface["gap_mm"] = rebuilt.evidence.gap.length_mm
    surface["band95_max_mm"] = rebuilt.evidence.band95_mm.max
    draw.show_parts(scene, damage, _parts(rebuilt.shop, mesh_io.unit_of(scene)[1]))
    look.refresh(scene)
    return None


def _write_shop_values(mesh, shop):
    """What is known of wall and reach at the surface's vertices."""
    if shop is None:
        return
    if shop.wall is not None:
        surface_io.write_values(mesh, overlay.WALL_LEFT, shop.wall.left_mm)
    if shop.reach is not None:
        surface_io.write_values(mesh, overlay.REACH_LEFT, shop.reach.left_mm)


def _parts(shop, mm):
    """Meshes of what the workshop gets beside the target, by the fields of a damage."""
    if shop is None:
        return {}
    points, normals = shop.flanks
    parts = {"flanks": surface_io.flanks_mesh("Intact Flanks", points, normals, mm)}
    if shop.wall is not None:
        inner, section = shop.wall.inner, shop.wall.section
        parts["inner"] = surface_io.part_mesh("Inner Surface", inner.vertices_mm, inner.triangles, mm)
        parts["section"] = surface_io.part_mesh("Missing Section", section.vertices_mm, section.triangles, mm)
    if shop.bed is not None:
        parts["bed"] = surface_io.part_mesh("Bed", shop.bed.vertices_mm, shop.bed.triangles, mm)
    return parts
