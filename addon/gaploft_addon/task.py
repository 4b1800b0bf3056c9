"""One rebuild between Blender and the library: what goes in, the work itself, and what of it is kept."""

from dataclasses import dataclass, field

import numpy as np
from threadpoolctl import threadpool_limits

from gaploft.errors import InputError
from gaploft.job import Job
from gaploft.pipeline import rebuild, rebuild_changed
from gaploft.report.model import Rebuild, Stages
from gaploft.scan.near import points_near
from gaploft.target.seen import scan_distance
from gaploft.tube.isolate import isolate_tube

from . import mesh_io, surface_io, ways_job, ways_maps
from .raw_scan import RawScan, raw_scan
from .settings import damage_of, job_key, job_of, job_of_result
from .shown_values import SCAN_DISTANCE
from .words import told

#: The same work gives the same surface; this is for the last digit of another processor, mm.
SAME_MM = 1e-6
#: Dents deeper than this share of the tube's radius are no longer measured from its surface; a patch has no
#: radius, but this depth in mm.
DEEPEST, DEEPEST_MM = 0.5, 10.0


@dataclass(frozen=True)
class Kept:
    """What one rebuild left behind, the scan that it was of, and how far that lies from the surface in mm.

    ``sources`` tell the spare section and the shelf that it was of, ``maps`` are those of :mod:`ways_maps`.
    """

    sha256: str
    mm_per_unit: float
    sources: tuple
    rebuilt: Rebuild
    stages: Stages
    scan_mm: np.ndarray | None
    maps: dict[str, np.ndarray]


#: Earlier rebuilds by the number of their damage, the last ones last: an aid to speed and nothing else, since
#: each is held against the scan and the damage before it is used.
_KEPT: dict[int, Kept] = {}
_MOST_KEPT = 3


@dataclass(frozen=True)
class Task:
    """All that one rebuild needs, taken out of Blender before the work begins.

    ``key`` is what `settings.is_stale` compares later.
    """

    scan: RawScan
    job: Job
    uid: int
    donor: RawScan | None = None
    key: list[float] = field(default_factory=list)

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread."""
        kept, sources = self._kept(), self._sources()
        if kept is not None and kept.sources == sources and self._only_changed(kept):
            rebuilt = rebuild_changed(kept.stages, self.job, progress=progress)
        else:
            donor = None if self.donor is None else self.donor.mended(progress)
            rebuilt = rebuild(self.scan.mended(progress), self.job, donor=donor, progress=progress)
        _KEPT.pop(self.uid, None)
        if rebuilt.stages is not None:
            same = kept is not None and _same_outer(kept.rebuilt.target, rebuilt.target)
            scan_mm = kept.scan_mm if kept is not None and same else self._scan_distance(rebuilt, progress)
            of_scan = self.scan.sha256, self.scan.mm_per_unit
            maps = ways_maps.maps_of(rebuilt)
            _keep(self.uid, Kept(*of_scan, sources, rebuilt, rebuilt.stages, scan_mm, maps))
        return rebuilt

    def tube(self, progress):
        """The broken tube alone, taken from what is kept where it is of the same damage."""
        kept = self._kept()
        if kept is not None and kept.stages.compared is not None and self._same_damage(kept):
            return kept.stages.compared.way("loft").tube
        with threadpool_limits(limits=1, user_api="blas"):
            return isolate_tube(self.scan.mended(progress), self.job.damage, progress=progress)

    def _kept(self):
        """What an earlier rebuild of this very scan left, or None."""
        kept = _KEPT.get(self.uid)
        of_scan = self.scan.sha256, self.scan.mm_per_unit
        return kept if kept is not None and (kept.sha256, kept.mm_per_unit) == of_scan else None

    def _sources(self):
        """What tells the spare section and the shelf from others."""
        donor = None if self.donor is None else self.donor.sha256
        return donor, ways_job.shelf_state(self.job.ways)

    def _same_damage(self, kept):
        return kept.stages.job.damage.same_as(self.job.damage)

    def _only_changed(self, kept):
        """Whether the ways to the surface are those of before, a patch but for its guides among them."""
        before = kept.stages.job
        same_ways = before.ways.same_sources(self.job.ways) and before.patch.same_fit_as(self.job.patch)
        return same_ways and self._same_damage(kept)

    def _scan_distance(self, rebuilt, progress):
        """Distance of the scan from the rebuilt outer surface at the target's vertices, (n,); or None."""
        target = rebuilt.target
        if target is None:
            return None
        progress("mesh", 1.0)
        tube = rebuilt.stages.tube
        depth = DEEPEST_MM if tube is None else DEEPEST * tube.radius_mm
        outer = target.outer_mm  # layers lie between the target and what was scanned
        scan = self.scan
        points, normals = points_near(
            scan.vertices, scan.faces, outer, room_mm=depth, mm_per_unit=scan.mm_per_unit
        )
        return scan_distance(outer, target.normals, points, depth_mm=depth, point_normals=normals)


def _same_outer(before, now):
    """Whether two targets lie below the same places of the outer surface."""
    return before is not None and now is not None and np.array_equal(before.outer_mm, now.outer_mm)


@dataclass(frozen=True)
class Finished:
    """The rebuild that a surface is of: at hand, or to be done again, or neither.

    A file that was opened has surfaces but no rebuilds, and what is made of these takes them.
    """

    surface: surface_io.SurfaceArrays
    known: Rebuild | None
    again: Task | None

    def rebuilt(self, progress):
        """The rebuild of this very surface, or None."""
        if self.known is not None or self.again is None:
            return self.known
        found = self.again.run(progress)
        return found if is_of(found, self.surface) else None


def finished(scene, damage, surface):
    """The rebuild of a surface, from :func:`surface_io.surface_arrays`, as far as it can be had."""
    kept = _KEPT.get(damage.uid)
    known = kept.rebuilt if kept is not None and is_of(kept.rebuilt, surface) else None
    can_again = known is None and scene.gaploft.live("scan") is not None
    again = task_of(scene, damage, job_of_result(scene, damage)) if can_again else None
    return Finished(surface, known, again)


def known_of(damage):
    """The rebuild that the surface of a damage is of where it is at hand, else None. Raises InputError."""
    kept = _KEPT.get(damage.uid)
    if kept is None or kept.rebuilt.target is None:
        return None
    surface = surface_io.surface_arrays(damage.live("result"), None)
    return kept.rebuilt if is_of(kept.rebuilt, surface) else None


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


def values_beside(uid, rebuilt):
    """What a rebuild left beside its target, in mm at its vertices by the attributes that hold it."""
    kept = _KEPT.get(uid)
    if kept is None or kept.rebuilt is not rebuilt:
        return {}
    scan = {} if kept.scan_mm is None else {SCAN_DISTANCE: kept.scan_mm}
    return {**kept.maps, **scan}


def forget():
    """Keep nothing of earlier rebuilds; the next one starts with the scan."""
    _KEPT.clear()


def task_of(scene, damage, job=None):
    """Take the scan and the job of a damage, or another job, out of a scene. Raises InputError."""
    job = job_of(scene, damage) if job is None else job
    key = job_key(job, mesh_io.unit_of(scene)[1], damage)
    donor = ways_job.donor_scan(scene, damage)
    return Task(raw_scan(scene, scene.gaploft.scan), job, damage.uid, donor, key)


def tube_task_of(scene, damage):
    """The same for the broken tube alone, whatever else is set; for :meth:`Task.tube`. Raises InputError."""
    if not damage.has_ends:
        raise InputError(told("a tube is followed between both ends of the damage: mark them first"))
    return Task(raw_scan(scene, scene.gaploft.scan), Job(damage=damage_of(scene, damage)), damage.uid)
