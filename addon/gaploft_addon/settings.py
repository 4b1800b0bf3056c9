"""Marks and settings of a damage as a job for the library, and whether they changed since a rebuild."""

import json
from dataclasses import replace

import numpy as np

from gaploft.errors import InputError
from gaploft.job import Damage, HalvesSettings, Job, TargetSettings, largest

from . import mesh_io, patch_job, shop_job, surface_io, ways_job
from .shop_job import plain

#: What each choice for the halves asks of the library.
HALVES_SETTINGS = {
    "HOLD": HalvesSettings(),
    "FROM": HalvesSettings("reseat", "from"),
    "TO": HalvesSettings("reseat", "to"),
}


def job_of(scene, damage):
    """The job that the marks and settings of a damage ask for. Raises InputError."""
    return Job(
        damage=damage_of(scene, damage),
        target=TargetSettings(
            chord_tolerance_mm=plain(damage.chord_tolerance_mm), overlap_mm=plain(damage.overlap_mm)
        ),
        layers=shop_job.layers_of(scene, damage),
        halves=HALVES_SETTINGS[damage.halves],
        wall=shop_job.wall_of(scene, damage),
        bed=shop_job.bed_of(damage),
        reach=shop_job.reach_of(damage),
        zero_mm=mesh_io.mark_mm(scene, damage.shop.live("mark_zero")),
        ways=ways_job.ways_of(scene, damage),
        patch=patch_job.patch_of(scene, damage),
    )


def job_of_result(scene, damage):
    """The same, with the guides that the computed surface was built with. Raises InputError."""
    job = job_of(scene, damage)
    return replace(job, patch=replace(job.patch, guides_mm=patch_job.guides_on(damage.live("result"))))


def _job_of_surface(scene, damage):
    """The job to hold against that of the rebuild: a copy that was moved to its guides meets them."""
    surface = damage.surface if damage.live("result") is not None else None
    now = None if surface is None else patch_job.guides_of(scene, damage)
    follows = surface is not None and patch_job.same_guides(patch_job.guides_on(surface), now)
    return job_of_result(scene, damage) if follows else job_of(scene, damage)


def damage_of(scene, damage):
    """Where the tube is damaged, as the library takes it. Raises InputError."""
    scan = scene.gaploft.scan
    area = damage.live("damaged_area")
    if area is not None and area.get("scan_vertices") != len(scan.data.vertices):
        raise InputError(
            f"'{scan.name}' has {len(scan.data.vertices)} points now, but {area.get('scan_vertices')} when "
            "the damage was marked: mark the damage again"
        )
    source_vertices = None if area is None else surface_io.area_vertices(area)
    ends = mesh_io.marks_mm(scene, damage) if damage.has_ends else (np.full(3, np.nan), np.full(3, np.nan))
    return Damage(*ends, source_vertices=source_vertices)


def job_key(job, mm_per_unit, damage):
    """Damage and settings of a job as a list of numbers, to tell whether they changed since a rebuild.

    Of the damage itself only its spare section is asked, which is no part of a job.
    """
    damaged = job.damage.source_vertices
    return [
        *np.nan_to_num(job.damage.from_mm),
        *np.nan_to_num(job.damage.to_mm),
        job.target.chord_tolerance_mm,
        job.target.overlap_mm,
        largest(job.layers.paint_mm),
        largest(job.layers.cover_mm),
        mm_per_unit,
        0 if damaged is None else len(damaged),
        list(HALVES_SETTINGS.values()).index(job.halves),
        *shop_job.shop_key(job),
        *ways_job.ways_key(damage, job.ways),
        *patch_job.patch_key(job.patch),
    ]


def is_stale(scene, damage):
    """Whether marks or settings are no longer those of the rebuild. Raises InputError as job_of."""
    if scene.gaploft.live("scan") is None or not damage.marked or not damage.built_with:
        return False
    now = np.array(job_key(_job_of_surface(scene, damage), mesh_io.unit_of(scene)[1], damage))
    then = np.array(json.loads(damage.built_with))
    if len(now) != len(then):  # other readings or plies, or settings of an earlier release
        return True
    # Marks are single precision in world space; nobody moves one by a hundredth on purpose.
    same_settings = np.allclose(now[6:], then[6:], rtol=1e-5, atol=0.0)
    return not (same_settings and np.allclose(now[:6], then[:6], rtol=1e-5, atol=1e-2))
