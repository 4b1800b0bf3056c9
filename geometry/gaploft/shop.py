"""What the workshop needs beside the target: wall, bed, plies, reach and what to line the part up on."""

from gaploft.errors import EvidenceError
from gaploft.evidence.trusted_fit import TubeFit
from gaploft.job import BedSettings, FrameSettings, Job
from gaploft.laminate.bed import make_bed
from gaploft.laminate.model import Bed, Wall
from gaploft.laminate.patch_bed import longest_taper, make_patch_bed
from gaploft.laminate.patch_hole import Ground, ground_of
from gaploft.laminate.patch_model import PatchBed
from gaploft.laminate.patch_plies import lay_patch_plies
from gaploft.laminate.patch_reach import judge_patch_reach
from gaploft.laminate.patch_wall import make_patch_wall
from gaploft.laminate.plies import PlyBook, lay_plies
from gaploft.laminate.reach import judge_reach
from gaploft.laminate.wall import make_wall
from gaploft.patch.base import PatchSurface
from gaploft.patch.fit import PatchFit
from gaploft.report.model import PatchShop, Shop
from gaploft.scan.frame import Frame
from gaploft.scan.model import Note, Scan
from gaploft.scan.sphere_frame import fit_frame
from gaploft.target.flanks import flank_points
from gaploft.target.lay import Lay, lay_of
from gaploft.target.layers import LayerMap
from gaploft.target.model import Target
from gaploft.target.patch_flanks import points_beyond
from gaploft.target.patch_layers import thickness_at
from gaploft.target.patch_mesh import NodeMesh, PatchCut
from gaploft.target.places import Places

#: Notes that make "ready" into "check".
TO_BE_CHECKED = frozenset({"wall_share", "layers_trimmed", "blanks_unlike", "guided"})


def work_up(
    fit: TubeFit, job: Job, layers: LayerMap, places: Places, target: Target
) -> tuple[Shop, list[Note]]:
    """Make all that a job asks for beside its target, and what a person should know of it.

    A bed for which the trusted flank is too short is left out, with a note: the target is sound without it.

    Raises
    ------
    InputError
        A reading lies outside the tube, or layers are thicker than the wall.
    EvidenceError
        The inner surface would fold.
    """
    assert target.uv is not None
    notes = [*layers.notes]
    wall, bed, plies = None, None, None
    if job.wall is not None:
        wall = make_wall(
            fit, target, job.wall, layers, places, chord_tolerance_mm=job.target.chord_tolerance_mm
        )
        notes += wall.notes
        bed = _bed(fit, job, layers, wall, places, notes)
        plies = _plies(fit, job, bed, places, notes)
    reach = None
    if job.reach is not None:
        reach = judge_reach(target, fit, job.reach, places, bed=bed)
        notes += reach.notes
    ends = (float(target.uv[:, 0].min()), float(target.uv[:, 0].max()))
    return Shop(places, layers, flank_points(fit, ends), wall, bed, plies, reach), notes


def _bed(
    fit: TubeFit, job: Job, layers: LayerMap, wall: Wall, places: Places, notes: list[Note]
) -> Bed | None:
    """The bed, with its notes added to ``notes``."""
    if job.bed is None:
        return None
    try:
        bed = make_bed(fit, job.bed, layers, wall, places, chord_tolerance_mm=job.target.chord_tolerance_mm)
    except EvidenceError as error:
        notes.append(Note("no_bed", f"there is no bed: {error}"))
        return None
    notes += bed.notes
    return bed


def _plies(fit: TubeFit, job: Job, bed: Bed | None, places: Places, notes: list[Note]) -> PlyBook | None:
    """The plies in their bed, with their notes added to ``notes``."""
    if bed is None or not bed.settings.plies:
        return None
    plies = lay_plies(fit, bed.settings, bed, places)
    notes += plies.notes
    return plies


def work_up_patch(
    fit: PatchFit, surface: PatchSurface, nodes: NodeMesh, cut: PatchCut, job: Job
) -> tuple[PatchShop, list[Note]]:
    """The same for a patch, cut out of a surface with these nodes.

    Raises
    ------
    InputError
        Layers are thicker than the wall, or no inner surface fits below the surface.
    """
    notes = [*cut.layers.notes]
    around = (nodes.points, nodes.normals)
    wall, bed, plies = None, None, None
    if job.wall is not None:
        wall = make_patch_wall(cut, job.wall, around)
        notes += wall.notes
        bed, plies = _patch_bed(fit, surface, nodes, cut, job, notes)
    reach = None
    if job.reach is not None:
        reach = judge_patch_reach(cut, job.reach, bed=bed)
        notes += reach.notes
    flanks = points_beyond(
        surface,
        fit.region.points,
        nodes.from_rim_mm[fit.seen.owner] - job.target.overlap_mm,
        fit.seen.weights > 0.0,
    )
    return PatchShop(cut.layers, flanks, wall, bed, plies, reach), notes


def _patch_bed(
    fit: PatchFit, surface: PatchSurface, nodes: NodeMesh, cut: PatchCut, job: Job, notes: list[Note]
) -> tuple[PatchBed | None, PlyBook | None]:
    """The bed around a patch and the plies in it, with their notes added to ``notes``."""
    if job.bed is None or job.wall is None:
        return None, None
    wall = thickness_at(job.wall.thickness_mm, "wall")
    ground = ground_of(fit, surface, nodes, (cut.layers.coats, wall), longest_taper(job.bed, job.wall))
    try:
        bed = make_patch_bed(
            ground,
            job.bed,
            overlap_mm=job.target.overlap_mm,
            chord_tolerance_mm=job.target.chord_tolerance_mm,
        )
    except EvidenceError as error:
        notes.append(Note("no_bed", f"there is no bed: {error}"))
        return None, None
    notes += bed.notes
    return bed, _patch_plies(ground, job.bed, lay_of(cut.target.vertices_mm, cut.target.triangles), notes)


def _patch_plies(ground: Ground, settings: BedSettings, lay: Lay, notes: list[Note]) -> PlyBook | None:
    """The plies, with their notes added to ``notes``; the bed is sound without their patterns."""
    if not settings.plies:
        return None
    try:
        plies = lay_patch_plies(ground, settings, lay)
    except EvidenceError as error:
        notes.append(Note("no_plies", f"there are no patterns of the plies: {error}"))
        return None
    notes += plies.notes
    return plies


def frame_of(scan: Scan, settings: FrameSettings | None) -> Frame | None:
    """The frame of the machine as it lies in a scan, or None where none is asked for.

    Raises
    ------
    InputError
        Points or spheres set no frame.
    """
    if settings is None:
        return None
    return fit_frame(
        scan.vertices_mm,
        points_mm=settings.points_mm,
        spheres_mm=settings.spheres_mm,
        radius_mm=settings.radius_mm,
        at_mm=settings.at_mm,
    )
