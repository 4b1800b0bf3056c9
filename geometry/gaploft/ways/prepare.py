"""Getting a donor ready for each way: finding its tube, its shape and its place."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache, partial

import numpy as np

from gaploft.donor.carried import tube_on_shape
from gaploft.donor.flanks import Flanks, flanks_of
from gaploft.donor.model import Mark, Placement
from gaploft.donor.place import place, settle_near
from gaploft.errors import EvidenceError, InputError
from gaploft.evidence.intact import fit_intact
from gaploft.job import Job
from gaploft.job_sources import DonorSettings, MirrorSettings, ShelfSettings, WayName
from gaploft.progress import Progress, silent
from gaploft.scan.mirrored import mirrored
from gaploft.scan.model import Scan
from gaploft.shelf.found import FITS_MM
from gaploft.shelf.store import read_entry
from gaploft.surface.basis import TURN_RAD
from gaploft.tube.find import find_tubes
from gaploft.tube.model import TubePoints
from gaploft.tube.symmetry import find_plane, guess_planes
from gaploft.ways.model import MirrorFound, ShelfCandidate, ShelfFound, Way
from gaploft.ways.onto_shelf import entry_path, find_on_shelf

#: The plane in which a donor of the other side is mirrored before it is placed: any will do.
_ORIGIN, _ACROSS = np.zeros(3), np.array([1.0, 0.0, 0.0])
#: Tubes of a donor's scan that are tried where nobody says which is meant.
_MOST_TUBES = 6


def prepared(
    scan: Scan,
    tube: TubePoints,
    job: Job,
    donor: Scan | None,
    progress: Progress = silent,
) -> tuple[Way, ...]:
    """All ways that a job asks for, the loft first; one that leads nowhere says why.

    Raises
    ------
    InputError
        A donor is asked for and none was handed in, its scan holds no tube, or the shelf can't be read.
    """
    ways = job.ways
    found = [Way("loft", tube=tube)]
    if not ways.others:
        return tuple(found)
    flanks = cache(lambda: flanks_of(tube))
    if ways.donor is not None:
        if donor is None:
            raise InputError("the job takes its shape from a donor: hand in the spare section's scan")
        source = donor.source
        way = _tried("donor", lambda: _donor(flanks(), donor, ways.donor, progress))
        found.append(replace(way, label=source.file, sha256=source.sha256))
    if ways.mirror is not None:
        found.append(_tried("mirror", lambda: _mirror(scan, tube, flanks(), ways.mirror, progress)))
    if ways.shelf is not None and ways.shelf.search:
        found.append(_tried("shelf", lambda: _shelf(flanks(), ways.shelf, progress)))
    return tuple(found)


def _tried(name: WayName, make: Callable[[], Way]) -> Way:
    try:
        return make()
    except EvidenceError as error:
        return Way(name, refused=str(error))


def _way(name: WayName, label: str, flanks: Flanks, placement: Placement, limit_mm: float) -> Way:
    tube, shape = tube_on_shape(flanks, placement)
    return Way(name, label, tube=tube, shape=shape, placed=placement.fit, limit_mm=limit_mm)


def _donor(flanks: Flanks, donor: Scan, settings: DonorSettings | None, progress: Progress) -> Way:
    assert settings is not None
    turn = np.array([-1.0, 1.0, 1.0]) if settings.mirrored else np.ones(3)
    if settings.mirrored:
        donor = mirrored(donor, _ORIGIN, _ACROSS)
    near = None if settings.near_mm is None else turn * settings.near_mm
    mark = None
    if settings.mark_mm is not None:
        mark = Mark(np.array(settings.mark_mm[0]), turn * settings.mark_mm[1])
        near = mark.on_donor_mm if near is None else near
    tubes = find_tubes(donor, near_mm=near, progress=progress)[:_MOST_TUBES]
    best = _best([partial(_placed, flanks, tube, mark) for tube in tubes])
    return _way("donor", donor.source.file, flanks, best, settings.limit_mm)


def _placed(flanks: Flanks, tube: TubePoints, mark: Mark | None) -> Placement:
    return place(flanks, fit_intact(tube).shape, mark=mark)


def _best(tries: Sequence[Callable[[], Placement]]) -> Placement:
    """The placement that fits best; where none does, the reason of the first is raised."""
    placements, refusals = [], []
    for attempt in tries:
        try:
            placements.append(attempt())
        except EvidenceError as error:
            refusals.append(error)
    if not placements:
        raise refusals[0]
    return min(placements, key=lambda placement: placement.fit.misfit_mm)


def _mirror(
    scan: Scan, tube: TubePoints, flanks: Flanks, settings: MirrorSettings | None, progress: Progress
) -> Way:
    assert settings is not None
    given = settings.plane_mm is not None
    rms, share = None, None
    if settings.plane_mm is not None:
        point, normal = (np.array(part) for part in settings.plane_mm)
        normal = normal / np.linalg.norm(normal)
    else:
        near = None if settings.near_mm is None else np.array(settings.near_mm)
        others = find_tubes(scan, near_mm=near, apart_from=tube, progress=progress)
        guesses = guess_planes(scan, tube, others)
        if not guesses:
            raise EvidenceError(
                "no mirror plane was found: the scan shows no tube that could be the opposite side of the "
                "broken one; give its plane, or scan the opposite side, too"
            )
        plane = find_plane(scan, *guesses[0])
        point, normal, rms, share = plane.point_mm, plane.normal, plane.rms_mm, plane.share
    turned = mirrored(scan, point, normal)
    ring = flanks.surface.evaluate(np.full(24, np.mean(flanks.gap_mm)), np.arange(24) * (TURN_RAD / 24))
    opposite = find_tubes(turned, near_mm=ring.mean(axis=0), progress=progress)[0]
    whole = fit_intact(opposite)
    placement, moved = settle_near(flanks, whole.shape)
    fit = placement.fit
    found = MirrorFound(
        tuple(float(x) for x in point),
        tuple(float(x) for x in normal),
        given,
        rms,
        share,
        moved.offset_mm,
        moved.angle_deg,
        fit.misfit_mm,
    )
    return replace(
        _way("mirror", "opposite side of the scan", flanks, placement, settings.limit_mm), mirror=found
    )


def _shelf(flanks: Flanks, settings: ShelfSettings | None, progress: Progress) -> Way:
    assert settings is not None
    if settings.entry is not None:
        entry = read_entry(entry_path(settings.folder, settings.entry))
        shapes = [entry.shape, entry.shape.reflected()] if settings.mirrored else [entry.shape]
        best = _best([partial(place, flanks, shape) for shape in shapes])
        return _way("shelf", settings.entry, flanks, best, settings.limit_mm)
    result = find_on_shelf(settings.folder, flanks, mirrored=settings.mirrored, progress=progress)
    found = ShelfFound(
        tuple(ShelfCandidate(c.name, c.path.name, c.misfit_mm, c.where.mirrored) for c in result.candidates),
        result.searched,
        result.too_short,
        result.skipped,
    )
    if not result.candidates:
        return Way(
            "shelf",
            shelf=found,
            refused=f"none of the {result.searched} tubes on the shelf fits this one: use another way",
        )
    first = result.candidates[0]
    if first.misfit_mm > FITS_MM:
        return Way(
            "shelf",
            first.name,
            shelf=found,
            refused=f"nothing on the shelf fits: the nearest of {result.searched} tubes, {first.name}, is "
            f"{first.misfit_mm:.2f} mm off the intact tube; use another way",
        )
    try:
        way = _way("shelf", first.name, flanks, place(flanks, first.shape), settings.limit_mm)
    except EvidenceError as error:
        return Way("shelf", first.name, shelf=found, refused=str(error))
    return replace(way, shelf=found)
