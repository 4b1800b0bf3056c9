"""What the workshop needs beside the target: wall, bed, plies, reach and what to line the part up on."""

from gaploft.errors import EvidenceError
from gaploft.evidence.trusted_fit import TubeFit
from gaploft.job import FrameSettings, Job
from gaploft.laminate.bed import make_bed
from gaploft.laminate.model import Bed, Wall
from gaploft.laminate.plies import PlyBook, lay_plies
from gaploft.laminate.reach import judge_reach
from gaploft.laminate.wall import make_wall
from gaploft.report.model import Shop
from gaploft.scan.frame import Frame
from gaploft.scan.model import Note, Scan
from gaploft.scan.sphere_frame import fit_frame
from gaploft.target.flanks import flank_points
from gaploft.target.layers import LayerMap
from gaploft.target.model import Target
from gaploft.target.places import Places


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
