"""One rebuild from scan to target: the same call for the command line and for Blender."""

from dataclasses import replace
from time import perf_counter

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from gaploft.errors import EvidenceError, InputError
from gaploft.evidence.assess import Assessed
from gaploft.evidence.trusted_fit import TubeFit
from gaploft.job import Job
from gaploft.patched import has_area, may_be_patched, no_tube_there, patch_stage, rebuild_from_patch
from gaploft.progress import Progress, silent
from gaploft.report.model import Rebuild, Stages, Verdict
from gaploft.scan.frame import Frame
from gaploft.scan.model import Note, Scan
from gaploft.shop import TO_BE_CHECKED, frame_of, work_up
from gaploft.target.beyond import AT_RIM_MM
from gaploft.target.facets import cut_target
from gaploft.target.layers import LayerMap, layers_over
from gaploft.target.model import Target
from gaploft.target.places import Places
from gaploft.tube.isolate import isolate_tube
from gaploft.tube.model import TubePoints
from gaploft.ways.choose import compared
from gaploft.ways.mix import mixed
from gaploft.ways.model import Way
from gaploft.ways.prepare import prepared
from gaploft.ways.walk import walked

__all__ = ["Rebuild", "Stages", "rebuild", "rebuild_changed"]


class _Clock:
    """Seconds of each stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._last = perf_counter()

    def lap(self, stage: str) -> None:
        now = perf_counter()
        self.seconds[stage] = self.seconds.get(stage, 0.0) + now - self._last
        self._last = now


def rebuild(scan: Scan, job: Job, *, donor: Scan | None = None, progress: Progress = silent) -> Rebuild:
    """Rebuild the outer surface across the damage of one tube.

    Parameters
    ----------
    scan : mended scan in mm
    job : damage, target settings and layers, in mm
    donor : mended scan of a spare section in mm, in any frame, where the job takes its shape from one
    progress : told the stage and its share; may raise ``Cancelled``

    Returns
    -------
    Rebuild
        With a target, or refused: the last warning then says why.

    Raises
    ------
    InputError
        The damage points don't lie in one tube of the scan, a damaged vertex doesn't exist, a reading lies
        outside the tube, layers are thicker than the wall, the machine's frame is not to be had, or a
        donor's scan or the shelf can't be used.
    """
    # The matrices are small: threads in BLAS cost more than they save, on a busy machine a hundred times
    # more.
    with threadpool_limits(limits=1, user_api="blas"):
        clock = _Clock()
        progress("tube", 0.0)
        frame = frame_of(scan, job.frame)
        if job.patch.use == "always":
            return _from_patch(scan, job, frame, (), clock, progress)
        try:
            tube = isolate_tube(scan, job.damage, progress=progress)
            told = None if job.patch.use == "never" else no_tube_there(scan, job, tube)
        except InputError as error:
            if job.patch.use == "never" or not has_area(job):
                raise
            told = str(error)
        if told is not None:
            note = Note("patch_used", f"no loft from section to section applies, so this is a patch: {told}")
            return _from_patch(scan, job, frame, (note,), clock, progress)
        ways = prepared(scan, tube, job, donor, progress)
        clock.lap("tube")
        notes = (*scan.notes, *_flank_notes(tube))
        stages = Stages(job, scan.source, notes, tube, frame=frame)
        outcome = _from_ways(stages, ways, clock, progress)
        if outcome.verdict != "refused" or not may_be_patched(job):
            return outcome
        reason = outcome.warnings[-1].text
        note = Note("patch_used", f"the loft was refused, so this is a patch: {reason}")
        return _from_patch(scan, job, frame, (note,), clock, progress)


def _from_patch(
    scan: Scan, job: Job, frame: Frame | None, notes: tuple[Note, ...], clock: _Clock, progress: Progress
) -> Rebuild:
    """A patch instead of a loft."""
    stages = Stages(job, scan.source, (*scan.notes, *notes), None, frame=frame)
    stage = patch_stage(scan, job, progress, clock.lap)
    return replace(rebuild_from_patch(stages, stage, progress, clock.lap), seconds=clock.seconds)


def rebuild_changed(earlier: Stages, job: Job, *, progress: Progress = silent) -> Rebuild:
    """Rebuild once more with other settings, doing again only the stages that these touch.

    Gives what :func:`rebuild` would, in a fraction of the time: another chord tolerance, layer or whatever
    else is of the workshop only cuts the target anew, and so does another way of those that were tried;
    another overlap also judges the fits again, and only another choice for the halves fits again. A patch
    passes through other guides without being fitted again. The machine's frame stays the one that was found
    in the scan.

    Raises
    ------
    ValueError
        The damage is another one, or the shape is to be taken from elsewhere: that takes the scan.
    """
    same = job.damage.same_as(earlier.job.damage) and job.ways.same_sources(earlier.job.ways)
    if not same or not job.patch.same_fit_as(earlier.job.patch):
        raise ValueError("another damage, donor or patch takes the scan: call rebuild")
    if earlier.patch is not None:
        clock = _Clock()
        again = rebuild_from_patch(replace(earlier, job=job), earlier.patch, progress, clock.lap)
        return replace(again, seconds=clock.seconds)
    assert earlier.tube is not None
    known = (Way("loft", tube=earlier.tube),) if earlier.compared is None else earlier.compared.ways
    if job.halves != earlier.job.halves:
        known = tuple(replace(way, fitted=None, judged=None) for way in known)
    elif job.target.overlap_mm != earlier.job.target.overlap_mm:
        known = tuple(replace(way, judged=None) for way in known)
    with threadpool_limits(limits=1, user_api="blas"):
        return _from_ways(replace(earlier, job=job), known, _Clock(), progress)


def _from_ways(stages: Stages, ways: tuple[Way, ...], clock: _Clock, progress: Progress) -> Rebuild:
    """Go all ways to their ends, choose one, and do what comes after the evidence."""
    job = stages.job
    ways = tuple(walked(way, job, progress, clock.lap) for way in ways)
    sides = compared(ways, job.ways.chosen)
    used = sides.way(sides.used)
    if job.ways.regions and used.usable:
        used = mixed(used, ways, job.ways.regions)
        others = dict.fromkeys(region.use for region in job.ways.regions if region.use != used.name)
        sides = replace(sides, mixed=tuple(others))
    stages = replace(
        stages,
        tube=stages.tube if used.tube is None else used.tube,
        fitted=used.fitted,
        judged=used.judged,
        compared=sides,
    )
    return _from_evidence(stages, used, clock, progress)


def _from_evidence(stages: Stages, used: Way, clock: _Clock, progress: Progress) -> Rebuild:
    """Do what is left to do of the stages after the evidence."""
    job, notes = stages.job, [*stages.notes, *used.notes]
    verdict: Verdict = used.verdict
    target, shop = None, None
    try:
        if not used.usable:
            raise EvidenceError(used.refused or "no evidence supports a target here")
        assert used.fitted is not None
        assert used.judged is not None
        fit, judged = used.fitted.fit, used.judged
        progress("mesh", 0.0)
        places = Places(fit.surface, fit.outline.gap_mm[0], job.zero_mm)
        layers = layers_over(fit, job.layers, places, overlap_mm=job.target.overlap_mm)
        cut = _target(fit, judged, job, layers)
        progress("mesh", 0.5)
        shop, told = work_up(fit, job, layers, places, cut)
        target = cut
        notes += [*_target_notes(fit, job), *told]
        verdict = _with_shop(verdict, told)
        clock.lap("mesh")
        progress("mesh", 1.0)
    except EvidenceError as error:
        if not notes or notes[-1].text != str(error):
            notes.append(Note("no_evidence", str(error)))
        verdict = "refused"
    evidence = None if stages.judged is None else stages.judged.evidence
    return Rebuild(
        job,
        stages.source,
        evidence,
        target,
        verdict,
        tuple(notes),
        clock.seconds,
        stages,
        shop=shop,
        frame=stages.frame,
    )


def _with_shop(verdict: Verdict, notes: list[Note]) -> Verdict:
    """A target that may weaken the wall, or that stands above what was asked for, is looked at first."""
    return "check" if verdict == "ready" and {note.code for note in notes} & TO_BE_CHECKED else verdict


def _target(fit: TubeFit, judged: Assessed, job: Job, layers: LayerMap) -> Target:
    """The target of a fitted tube."""

    def zone(u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(layers.from_rim(u, v) < -AT_RIM_MM, 1.0, 0.0)

    return cut_target(
        fit.surface,
        fit.rebuilt_mm,
        overlap_mm=job.target.overlap_mm,
        chord_tolerance_mm=job.target.chord_tolerance_mm,
        layers=layers,
        band=judged.band,
        zone=zone,
    )


def _flank_notes(tube: TubePoints) -> list[Note]:
    """What ended the flanks early."""
    notes = []
    for side, reason, length in zip(
        ("from", "to"),
        tube.stopped_by,
        (tube.gap_mm[0] - tube.flank_mm[0], tube.flank_mm[1] - tube.gap_mm[1]),
        strict=True,
    ):
        if reason in ("closed end", "junction"):
            notes.append(
                Note(
                    reason.replace(" ", "_"),
                    f"the tube beyond the '{side}' end of the damage was followed for {length:.0f} mm, "
                    f"to a {reason}",
                )
            )
    return notes


def _target_notes(fit: TubeFit, job: Job) -> list[Note]:
    """Where the target could not run on as far as asked."""
    shortest = min(fit.flanks_mm)
    if shortest >= job.target.overlap_mm:
        return []
    return [
        Note(
            "overlap_short",
            f"the target runs on over {shortest:.1f} mm of intact surface instead of "
            f"{job.target.overlap_mm:.1f} mm: the trusted scan ends there",
        )
    ]
