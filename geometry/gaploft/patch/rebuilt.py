"""From a scan with marked damage to a patch and what is known of it: the one call of this stage."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError, InputError
from gaploft.job import Damage
from gaploft.job_patch import PatchSettings
from gaploft.patch.assess import PatchAssessed, assess_patch
from gaploft.patch.drawn import damaged_by_outlines
from gaploft.patch.fair import fit_fair
from gaploft.patch.fit import PatchFit, fit_on_quadric, fit_on_tubes
from gaploft.patch.joined import UnseenEdge
from gaploft.patch.region import Region, cut_out
from gaploft.scan.model import Note, Scan
from gaploft.tube.damaged import damaged_vertices

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Surroundings that are looked at: this share of the damage's own width and so many mm more, within limits.
_REACH_SHARE, _REACH_MORE_MM = 0.8, 18.0
_LEAST_REACH_MM, _MOST_REACH_MM = 36.0, 70.0
#: Nodes are this far apart, mm, and more where there would be more of them.
_SPACING_MM, _MOST_NODES = 1.3, 14_000
#: Damage is no patch beyond this width, mm.
_WIDEST_MM = 160.0
#: A patch whose curvature changes so many times as much as that of its blanks is looked at first.
_UNLIKE = 1.5
#: A tube is in doubt when blanks on it are off by so many times the noise, root mean square.
_DOUBTFUL = 0.5


@dataclass(frozen=True)
class PatchStage:
    """A patch, its evidence, and what a person should know of both.

    ``assessed`` is None where nothing could be blanked to judge the patch by; the last note then says so.
    """

    fit: PatchFit
    assessed: PatchAssessed | None
    notes: tuple[Note, ...]

    @property
    def kind(self) -> str:
        """What the patch stands on: "tubes" that meet, or a "fair" surface of its own."""
        return "tubes" if self.fit.joined is not None else "fair"


def damaged_mask(scan: Scan, damage: Damage, settings: PatchSettings) -> Bools:
    """Which vertices of a scan are damaged, by mask or drawn outlines; InputError where neither is given."""
    if settings.outlines_mm:
        return damaged_by_outlines(scan.vertices_mm, scan.faces, settings.outlines_mm)
    mask = damaged_vertices(scan, damage)
    if mask is None:
        raise InputError(
            "a patch needs the damaged area: give a mask of damaged vertices, or draw an outline around them"
        )
    return mask


def rebuild_patch(
    scan: Scan, damage: Damage, settings: PatchSettings, *, tick: Callable[[float], None] = lambda share: None
) -> PatchStage:
    """Rebuild the surface over marked damage of any outline.

    Tubes that meet around the damage, with the fillets between them, are looked for first. Where the
    surroundings are none, or a single tube that blanks cast doubt on, it is a surface of the second degree;
    else the one whose curvature changes least, or most evenly.

    Raises
    ------
    InputError
        The outline is open, touches itself, lies on two parts, or no trusted scan is left around it.
    EvidenceError
        Too little of the scan around it can be trusted to fit anything, or tubes meet in an edge that is not
        seen and was not drawn.
    """
    region, spacing = cut_around(scan, damaged_mask(scan, damage, settings))
    tick(0.05)
    try:
        fit = fit_on_tubes(region, spacing, _within(tick, 0.05, 0.35), settings.creases)
    except UnseenEdge:
        raise
    except EvidenceError as error:
        if settings.creases:
            raise InputError(f"a crease needs tubes on both sides of it: {error}; or remove it") from None
        note = Note("no_tubes", f"the patch is a fair surface of its own: {error}")
        fit = _on_no_tubes(region, spacing, _within(tick, 0.05, 0.35))
        return _judged(fit, (note,), _within(tick, 0.35, 1.0))
    stage = _judged(fit, (), _within(tick, 0.35, 0.65))
    better = _better_on_none(stage, region, spacing, _within(tick, 0.65, 1.0))
    tick(1.0)
    return stage if better is None else better


def _within(tick: Callable[[float], None], start: float, stop: float) -> Callable[[float], None]:
    """Progress of a part as that of the whole."""
    return lambda share: tick(start + (stop - start) * share)


def _judged(fit: PatchFit, notes: tuple[Note, ...], tick: Callable[[float], None]) -> PatchStage:
    """A fit with its evidence, or with the reason why there is none."""
    try:
        assessed = assess_patch(fit, tick)
    except EvidenceError as error:
        return PatchStage(fit, None, (*notes, Note("no_evidence", str(error))))
    if assessed.blanks.unlike > _UNLIKE:
        unlike = Note(
            "blanks_unlike",
            f"the patch changes its curvature {assessed.blanks.unlike:.1f} times as much as the intact "
            "places it could be tested on, and the band was widened by as much: look at it",
        )
        notes = (*notes, unlike)
    return PatchStage(fit, assessed, notes)


def _better_on_none(
    stage: PatchStage, region: Region, spacing_mm: float, tick: Callable[[float], None]
) -> PatchStage | None:
    """A patch on no tubes if blanks come back better from it than from a tube that they cast doubt on.

    A tube that bends much within its damage is fitted worse by sections than by what is fair. Fillets are
    continued by tubes alone.
    """
    joined, assessed = stage.fit.joined, stage.assessed
    if joined is None or assessed is None or len(joined.tubes) > 1:
        return None
    blank = assessed.evidence.blank_test
    if blank.rms_mm < _DOUBTFUL * stage.fit.noise_mm:
        return None
    try:
        other = _judged(
            _on_no_tubes(region, spacing_mm, _within(tick, 0.0, 0.5)), (), _within(tick, 0.5, 1.0)
        )
    except EvidenceError:
        return None
    if other.assessed is None or other.assessed.blanks.size < assessed.blanks.size:
        return None
    there = other.assessed.evidence.blank_test.rms_mm
    if there > blank.rms_mm:
        return None
    why = Note(
        "no_tubes",
        f"the patch is a fair surface of its own: intact places beside it come back to {there:.3f} mm on "
        f"one, and to {blank.rms_mm:.3f} mm on a tube",
    )
    return PatchStage(other.fit, other.assessed, (why, *other.notes))


def _on_no_tubes(region: Region, spacing_mm: float, tick: Callable[[float], None]) -> PatchFit:
    """On a surface of the second degree if one explains the scan, else as fair as intact places ask for."""
    try:
        return fit_on_quadric(region, spacing_mm, tick)
    except EvidenceError:
        return fit_fair(region, spacing_mm, tick)


def cut_around(scan: Scan, damaged: Bools) -> tuple[Region, float]:
    """The scan around damage, and the spacing of nodes that suits it."""
    if not damaged.any():
        raise InputError("no damaged vertex is marked: mark the damaged area, or draw an outline around it")
    points = scan.vertices_mm
    width = float(np.ptp(points[damaged], axis=0).max())
    if width > _WIDEST_MM:
        raise InputError(
            f"the marked damage is {width:.0f} mm wide, a patch is at most {_WIDEST_MM:.0f} mm: mark each "
            "damaged place as a damage of its own"
        )
    reach = float(np.clip(_REACH_SHARE * width + _REACH_MORE_MM, _LEAST_REACH_MM, _MOST_REACH_MM))
    middle = points[damaged].mean(axis=0)
    near = np.linalg.norm(points - middle, axis=1) < width + 1.5 * reach
    keep = near[scan.faces].all(axis=1)
    used, number = np.unique(scan.faces[keep], return_inverse=True)
    faces = number.reshape(-1, 3).astype(np.int32)
    if len(faces) == 0:
        raise InputError("the marked vertices belong to no faces of the scan: mark the damage anew")
    region = cut_out(points[used], faces, scan.normals[used], damaged[used], reach)
    corner = region.points[region.faces]
    area = (
        0.5 * np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1).sum()
    )
    return region, max(_SPACING_MM, float(np.sqrt(1.15 * area / _MOST_NODES)))
