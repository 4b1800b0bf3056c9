"""One rebuild between Blender and the library: what goes in, the work itself, and what comes back."""

import json
from dataclasses import dataclass

import numpy as np

from gaploft.evidence.rim import rim_edges
from gaploft.job import Job
from gaploft.pipeline import rebuild, rebuild_changed
from gaploft.report.model import Stages
from gaploft.report.numbers import as_dict
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from gaploft.scan.near import points_near
from gaploft.target.seen import scan_distance

from . import draw, look, mesh_io, overlay, surface_io
from .settings import job_key, job_of

#: Dents deeper than this share of the tube's radius are no longer measured from its surface.
DEEPEST = 0.5


@dataclass(frozen=True)
class Kept:
    """What one rebuild left behind, the scan that it was of, and how far that lies from the surface in mm."""

    sha256: str
    mm_per_unit: float
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
            scan_mm = self._scan_distance(rebuilt, progress)
            _keep(self.uid, Kept(sha256, self.mm_per_unit, rebuilt.stages, scan_mm))
        return rebuilt

    def _scan_distance(self, rebuilt, progress):
        """Distance of the scan from the rebuilt outer surface at the target's vertices, (n,); or None."""
        target = rebuilt.target
        if target is None:
            return None
        progress("mesh", 1.0)
        depth = DEEPEST * rebuilt.stages.tube.radius_mm
        # Layers lie between the target and what was scanned.
        outer = target.vertices_mm + rebuilt.job.layers.total_mm * target.normals
        points, normals = points_near(
            self.vertices, self.faces, outer, room_mm=depth, mm_per_unit=self.mm_per_unit
        )
        return scan_distance(outer, target.normals, points, depth_mm=depth, point_normals=normals)


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
        look.refresh(scene)
        return rebuilt.warnings[-1].text
    rims = rim_edges(rebuilt.target.quads, rebuilt.target.zone == 1)
    mesh = surface_io.surface_mesh("Rebuilt Surface", rebuilt.target, mesh_io.unit_of(scene)[1], rims)
    mesh["gaploft_depth_mm"] = rebuilt.job.layers.total_mm
    kept = _KEPT.get(damage.uid)
    if kept is not None and kept.scan_mm is not None:
        surface_io.write_values(mesh, overlay.SCAN_DISTANCE, kept.scan_mm)
    surface = draw.show_surface(scene, damage, mesh)
    surface["verdict"] = rebuilt.verdict
    surface["gap_mm"] = rebuilt.evidence.gap.length_mm
    surface["band95_max_mm"] = rebuilt.evidence.band95_mm.max
    look.refresh(scene)
    return None
