"""Going one way to its end: fitting, judging, and how far a donor had to be changed."""

from collections.abc import Callable
from dataclasses import replace

from gaploft.donor.correct import correction_of
from gaploft.errors import EvidenceError
from gaploft.evidence.assess import assess
from gaploft.evidence.reseat import fit_halves
from gaploft.evidence.verdict import judge
from gaploft.job import Job
from gaploft.progress import Progress
from gaploft.scan.model import Note
from gaploft.ways.model import TITLES, Way

#: A correction beyond this is told, mm: more than paint and noise (common practice, no source).
_TOLD_MM = 0.15

Lap = Callable[[str], None]


def walked(way: Way, job: Job, progress: Progress, lap: Lap) -> Way:
    """A way with its surface and evidence, as far as they are missing; a lack of evidence is its end."""
    if way.tube is None:
        return way
    try:
        way = _fitted(way, job, progress, lap)
        return _judged(way, job, progress, lap)
    except EvidenceError as error:
        return replace(way, judged=None, verdict="refused", refused=str(error))


def _fitted(way: Way, job: Job, progress: Progress, lap: Lap) -> Way:
    if way.fitted is not None:
        return way
    assert way.tube is not None
    progress("fit", 0.0)
    fitted = fit_halves(way.tube, job.halves, shape=way.shape, tick=lambda share: progress("fit", share))
    lap("fit")
    return replace(way, fitted=fitted)


def _judged(way: Way, job: Job, progress: Progress, lap: Lap) -> Way:
    if way.judged is not None:
        return way
    assert way.fitted is not None
    progress("evidence", 0.0)
    judged = assess(way.fitted, overlap_mm=job.target.overlap_mm, progress=progress)
    verdict, notes = judge(judged.evidence)
    way = replace(way, judged=judged, verdict=verdict, notes=(*_placing_notes(way), *notes), refused=None)
    if verdict == "refused":
        way = replace(way, refused=notes[-1].text)
    if way.shape is not None:
        way = _corrected(way, job)
    lap("evidence")
    return way


def _corrected(way: Way, job: Job) -> Way:
    """The way with its correction; refused where the donor had to be changed too much to be the same part."""
    assert way.fitted is not None
    correction = correction_of(way.fitted.fit, beyond_mm=job.target.overlap_mm)
    way = replace(way, correction=correction)
    title = TITLES[way.name]
    if correction.max_mm > way.limit_mm:
        text = (
            f"the {title} had to be changed by {correction.max_mm:.2f} mm to meet both flanks, more than the "
            f"limit of {way.limit_mm:.2f} mm: it is not the same part; use another way, or raise the limit "
            "if you know that it is"
        )
        return replace(way, verdict="refused", refused=text, notes=(*way.notes, Note("donor_too_far", text)))
    if correction.max_mm > _TOLD_MM:
        text = (
            f"the {title} was changed by up to {correction.max_mm:.2f} mm to meet both flanks: look at the "
            "map of the correction"
        )
        return replace(way, notes=(*way.notes, Note("donor_changed", text)))
    return way


def _placing_notes(way: Way) -> tuple[Note, ...]:
    """What is to be said of how a donor lies."""
    notes = []
    if way.placed is not None and way.placed.free:
        how = "your mark decided" if way.placed.marked else "the damage looks the same wherever it lies"
        notes.append(
            Note(
                "donor_free",
                f"the intact tube does not show the {' and the '.join(way.placed.free)} of the "
                f"{TITLES[way.name]}: {how}",
            )
        )
    if way.mirror is not None:
        notes.append(
            Note(
                "sides_differ",
                f"the tube lies {way.mirror.offset_mm:.2f} mm and {way.mirror.angle_deg:.2f} degrees from "
                f"the mirror image of the opposite side, whose shape is {way.mirror.shape_mm:.3f} mm off it "
                "on the intact stretch; place and angle are those of the broken side",
            )
        )
    return tuple(notes)
