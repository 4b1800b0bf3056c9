"""One rebuild by a patch: region, patch, evidence and target, as the pipeline does for a tube."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from gaploft.errors import EvidenceError, InputError
from gaploft.evidence.verdict import PATCH_WORDS, judge
from gaploft.job import Job
from gaploft.laminate.patch_bed import terrace_depths
from gaploft.laminate.patch_wall import inner_depth
from gaploft.patch.assess import PatchAssessed
from gaploft.patch.base import PatchSurface
from gaploft.patch.fit import PatchFit
from gaploft.patch.guide import guide_system
from gaploft.patch.rebuilt import PatchStage, rebuild_patch
from gaploft.progress import Progress
from gaploft.report.model import PatchShop, Rebuild, Stages, Verdict
from gaploft.report.pieces import NO_STEP
from gaploft.scan.model import Note, Scan
from gaploft.shop import TO_BE_CHECKED, work_up_patch
from gaploft.target.model import Target
from gaploft.target.patch_layers import check_layers, check_readings, coats_at
from gaploft.target.patch_mesh import NodeMesh, PatchCut, cut_patch
from gaploft.tube.damaged import damaged_vertices
from gaploft.tube.model import TubePoints

Lap = Callable[[str], None]


#: A tube that ends at a junction nearer to the damage than this many radii shows no flank to loft from.
_LEAST_FLANK_RADII = 0.75
#: Damage farther from the centreline than the tube's own points, by this share and mm, is beside the tube; so
#: much of it makes it no damage of a tube.
_OFF_SHARE, _OFF_MM, _MOST_BESIDE = 1.1, 3.0, 0.05


def has_area(job: Job) -> bool:
    """Whether a job says which area is damaged, by a mask or an outline."""
    return job.damage.source_vertices is not None or bool(job.patch.outlines_mm)


def may_be_patched(job: Job) -> bool:
    """Whether a patch may stand in where a loft was refused: the area is marked, and nothing needs a tube."""
    if job.patch.use != "auto" or not has_area(job):
        return False
    try:
        check_supported(job)
    except InputError:
        return False
    return True


def no_tube_there(scan: Scan, job: Job, tube: TubePoints) -> str | None:
    """Why a loft along this tube would not hold over the damaged area; None where it does.

    The area may reach past a junction that the tube ends at, or lie on something that is not the tube at all.
    """
    if job.patch.outlines_mm:
        return "an outline was drawn around the damage"
    mask = damaged_vertices(scan, job.damage)
    if mask is None:
        return None
    near = tube.radius_mm
    usual = float(np.quantile(tube.spine.locate(tube.points_mm)[2], 0.99))
    _, _, off = tube.spine.locate(scan.vertices_mm[mask])
    beside = float((off > _OFF_SHARE * usual + _OFF_MM).mean())
    if beside > _MOST_BESIDE:
        return f"{100.0 * beside:.0f} % of the damage lies beside the tube between the two marks"
    for side, reason in zip((0, 1), tube.stopped_by, strict=True):
        if reason != "junction":
            continue
        end = tube.flank_mm[side]
        beyond = (tube.gap_mm[0] - end) if side == 0 else (end - tube.gap_mm[1])
        if beyond < _LEAST_FLANK_RADII * near:
            return (
                f"the damage comes within {max(beyond, 0.0):.0f} mm of a junction at the "
                f"'{('from', 'to')[side]}' end of the tube"
            )
    return None


def patch_stage(scan: Scan, job: Job, progress: Progress, lap: Lap) -> PatchStage:
    """The patch of a job, without what the workshop wants of it.

    Raises InputError as :func:`check_supported` and :func:`gaploft.patch.rebuilt.rebuild_patch`.
    """
    check_supported(job)
    progress("fit", 0.0)
    stage = rebuild_patch(scan, job.damage, job.patch, tick=lambda share: progress("fit", share))
    lap("fit")
    return stage


def rebuild_from_patch(stages: Stages, stage: PatchStage, progress: Progress, lap: Lap) -> Rebuild:
    """Verdict, target and outcome of a patch that was fitted and judged."""
    job, notes = stages.job, [*stages.notes, *stage.notes]
    check_supported(job)
    stages = replace(stages, patch=stage)
    target: Target | None = None
    shop: PatchShop | None = None
    verdict: Verdict = "refused"
    assessed = stage.assessed
    if assessed is not None:
        verdict, told = judge(assessed.evidence, PATCH_WORDS)
        notes += told
    try:
        if verdict == "refused" or assessed is None:
            raise EvidenceError(notes[-1].text if notes else "no evidence supports a target here")
        progress("mesh", 0.0)
        surface = guided_surface(stage.fit, job)
        nodes = node_mesh(stage.fit, assessed, surface)
        if job.patch.guides_mm is not None:
            notes.append(_guided(stage.fit, surface, len(job.patch.guides_mm)))
        cut = patch_target(surface, nodes, job)
        progress("mesh", 0.5)
        shop, more = work_up_patch(stage.fit, surface, nodes, cut, job)
        target = cut.target
        notes += more
        if verdict == "ready" and TO_BE_CHECKED & {note.code for note in notes}:
            verdict = "check"
        lap("mesh")
        progress("mesh", 1.0)
    except EvidenceError as error:
        if not notes or notes[-1].text != str(error):
            notes.append(Note("no_evidence", str(error)))
        verdict = "refused"
    evidence = None if assessed is None else assessed.evidence
    return Rebuild(
        job,
        stages.source,
        evidence,
        target,
        verdict,
        tuple(notes),
        stages=stages,
        shop=shop,
        frame=stages.frame,
    )


def _guided(fit: PatchFit, surface: PatchSurface, count: int) -> Note:
    """What guide points did, which no evidence speaks for."""
    moved = float(np.abs(surface.values - fit.surface.values).max())
    return Note(
        "guided",
        f"{count} guide point{'s' if count > 1 else ''} moved the patch by up to {moved:.2f} mm; band and "
        "blank test are of the patch without them: they are believed without evidence",
    )


def node_mesh(fit: PatchFit, assessed: PatchAssessed, surface: PatchSurface) -> NodeMesh:
    """The nodes of a patch on its surface, and what is known at them."""
    points = surface.onto(fit.nodes.points)
    normals = surface.against(points).normal
    return NodeMesh(points, normals, fit.ground.faces, assessed.from_rim_mm, assessed.band95_mm)


def patch_target(surface: PatchSurface, nodes: NodeMesh, job: Job) -> PatchCut:
    """The machining target of a patch, facetted finely enough for the inner surface of a wall, too.

    Raises
    ------
    InputError
        A reading can't be used, or layers are to run out over no overlap.
    EvidenceError
        The tolerance asks for too many facets, or the surface bends too tightly for the layers.
    """
    also = () if job.wall is None else (inner_depth(coats_at(job.layers), job.wall),)
    return cut_patch(
        surface,
        nodes,
        job.layers,
        overlap_mm=job.target.overlap_mm,
        chord_tolerance_mm=job.target.chord_tolerance_mm,
        also=also,
    )


def guided_surface(fit: PatchFit, job: Job) -> PatchSurface:
    """The patch, through the guide points of a job where it has some; InputError where these can't be met."""
    guides = job.patch.guides_mm
    return fit.surface if guides is None else guide_system(fit).guided(guides)


def check_supported(job: Job) -> None:
    """Raise InputError, before any long work, for what a patch can't have, and say what it can."""
    if "step" in job.formats:
        raise InputError(NO_STEP)
    check_layers(job.layers, job.target.overlap_mm)
    if job.wall is not None:
        check_readings(job.wall.thickness_mm, "wall")
    if job.bed is not None:
        terrace_depths(job.bed)
    ways = job.ways
    if ways.others or ways.regions or (ways.shelf is not None and ways.shelf.save_as is not None):
        raise InputError(
            "a spare section, the opposite side and the shelf are for tubes, and this damage gets a patch: "
            "remove them from the job"
        )
    if job.halves.mode == "reseat":
        raise InputError(
            'mode = "reseat" in [halves] is for the two halves of a broken tube, and this damage gets a '
            'patch, which holds what is around it as scanned: use "hold"'
        )
