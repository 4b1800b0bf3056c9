"""What ``gaploft shelf`` does: list the shop's shelf, put a tube on it, find the one that fits."""

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from gaploft.donor.flanks import flanks_of
from gaploft.errors import InputError
from gaploft.job import MM_PER_UNIT
from gaploft.job_file import read_job
from gaploft.progress import Progress, silent
from gaploft.scan.mask import check_mask
from gaploft.scan.read import read_scan
from gaploft.shelf.found import FITS_MM
from gaploft.shelf.store import ENDING, read_head
from gaploft.tube.find import find_tubes
from gaploft.tube.isolate import isolate_tube
from gaploft.ways.onto_shelf import find_on_shelf, put_intact

#: Distance between the sections of a descriptor, mm.
_SECTION_MM = 3.0


def list_shelf(folder: Path) -> Iterator[str]:
    """One line for each tube of a shelf, by name; a file that can't be used is named with what is wrong.

    Raises
    ------
    InputError
        The folder can't be read.
    """
    try:
        paths = sorted(path for path in folder.iterdir() if path.suffix == ENDING)
    except OSError as error:
        raise InputError(
            f"the shelf {folder} can't be read ({error.strerror or error}): name the folder of your tubes"
        ) from None
    for path in paths:
        try:
            head = read_head(path)
        except InputError as error:
            yield f"skipped: {error}"
            continue
        said = head.provenance
        length = _SECTION_MM * (len(head.descriptor) - 1)
        yield f"{head.name}: {length:.0f} mm, {said.kind}, from {said.scan_file}, {said.made}"


def put_on_shelf(
    folder: Path,
    scan_path: Path,
    unit: str,
    name: str,
    *,
    near: ArrayLike | None = None,
    note: str = "",
    progress: Progress = silent,
) -> str:
    """Put the longest intact tube of a scan on the shelf, or the one at a place in the scan's unit; say so.

    Raises
    ------
    InputError
        The scan can't be used or holds no tube, the name won't do, or the file can't be written.
    EvidenceError
        Too little of the tube was scanned.
    """
    scan = read_scan(scan_path, unit, progress=progress)
    near_mm = None if near is None else MM_PER_UNIT[unit] * np.asarray(near, dtype=np.float64)
    tube = find_tubes(scan, near_mm=near_mm, progress=progress)[0]
    entry = put_intact(folder, name, tube, scan.source, made=date.today(), note=note)
    first, last = entry.shape.range_u
    return f"{entry.name}{ENDING}: {last - first:.0f} mm of tube, noise {entry.provenance.noise_mm:.3f} mm"


def search_shelf(
    folder: Path, job_path: Path, *, mirrored: bool = False, progress: Progress = silent
) -> Iterator[str]:
    """Lines that rank the tubes of a shelf for the broken tube of a job, the best first.

    Raises
    ------
    InputError
        Job, scan or shelf can't be used.
    EvidenceError
        Hardly anything of the broken tube was scanned.
    """
    job_file = read_job(job_path)
    scan = read_scan(job_file.scan_path, job_file.unit, progress=progress)
    check_mask(job_file.job, scan.source.vertices)
    flanks = flanks_of(isolate_tube(scan, job_file.job.damage, progress=progress))
    found = find_on_shelf(folder, flanks, mirrored=mirrored, progress=progress)
    for file, sentence in found.skipped:
        yield f"skipped {file}: {sentence}"
    fitting = [candidate for candidate in found.candidates if candidate.misfit_mm <= FITS_MM]
    for place, candidate in enumerate(found.candidates, start=1):
        sign = "" if candidate.misfit_mm <= FITS_MM else ", does not fit"
        image = ", mirrored" if candidate.where.mirrored else ""
        yield f"{place}. {candidate.name}: {candidate.misfit_mm:.3f} mm off the intact tube{image}{sign}"
    if not fitting:
        yield (
            f"nothing fits: none of {found.searched} tubes is within {FITS_MM:.2f} mm of the intact tube"
            + (f", and {found.too_short} are too short" if found.too_short else "")
        )
