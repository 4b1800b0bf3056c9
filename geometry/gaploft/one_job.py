"""One job from its file to its folder: the same for one job alone and for each of many."""

from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, Any

from gaploft.errors import Cancelled, EvidenceError
from gaploft.progress import Progress, silent

if TYPE_CHECKING:
    from gaploft.job import Job
    from gaploft.report.model import Rebuild
    from gaploft.scan.model import Scan

NO_MEMORY = "there is not enough memory for this scan: thin it out in the scanning program"


def run_job(
    job_path: Path,
    directory: Path,
    *,
    others: Sequence[Path] = (),
    apart: bool = True,
    progress: Progress = silent,
) -> dict[str, Any]:
    """Read a job and its scan, rebuild, and write target and report.

    Parameters
    ----------
    job_path : the job file
    directory : made if it is missing; results of an earlier run there are replaced, or removed when this
        job fails: an old target beside it could be taken for its result
    others : files of other jobs, which no result may be written over either
    apart : draw the pictures in a process of their own, which pays where a core is idle
    progress : told the stage and its share; may raise ``Cancelled``, which leaves ``directory`` as it was

    Returns
    -------
    dict
        What ``report.json`` holds. Refused is an outcome too: see :func:`refusal`.

    Raises
    ------
    InputError
        Job, scan or mask can't be used, or a result can't be written.
    """
    # Imported here, so that an interrupt while the larger libraries load ends as quietly as any other.
    from gaploft.job_file import read_job
    from gaploft.report.apart import drawing_apart, drawing_here
    from gaploft.report.outputs import clear_outputs, write_outputs
    from gaploft.scan.mask import check_mask
    from gaploft.scan.read import read_scan

    inputs: tuple[Path, ...] = (job_path, *others)
    try:
        job_file = read_job(job_path)
        inputs = (*job_file.inputs, *others)
        _check_shelf(job_file.job)
        with drawing_apart() if apart else nullcontext(drawing_here) as draw:
            started = perf_counter()
            scan = read_scan(job_file.scan_path, job_file.unit, progress=progress)
            check_mask(job_file.job, scan.source.vertices)
            donor = read_scan(*job_file.donor) if job_file.donor is not None else None
            seconds = {"read": perf_counter() - started}
            outcome = _outcome(scan, job_file.job, donor, progress)
            outcome = replace(outcome, seconds={**outcome.seconds, **seconds})
            report = write_outputs(outcome, directory, inputs=inputs, draw=draw, progress=progress)
            _keep(outcome)
            return report
    except Cancelled:
        raise
    except Exception:
        clear_outputs(directory, keep=inputs)
        raise


def _check_shelf(job: "Job") -> None:
    """Raise InputError where the rebuild is to go on the shelf and can't: better now than after the work."""
    from gaploft.errors import InputError
    from gaploft.ways.onto_shelf import entry_path

    shelf = job.ways.shelf
    if shelf is None or shelf.save_as is None:
        return
    entry_path(shelf.folder, shelf.save_as)
    if job.ways.regions:
        raise InputError("a surface mixed of several ways can't go on the shelf: remove save or the regions")


def _keep(outcome: "Rebuild") -> None:
    """Put a finished rebuild on the shelf where the job asks for it; raises InputError as it is written."""
    from datetime import date

    from gaploft.ways.onto_shelf import put_rebuilt

    shelf, stages = outcome.job.ways.shelf, outcome.stages
    if shelf is None or shelf.save_as is None or outcome.target is None or stages is None:
        return
    assert stages.fitted is not None
    assert stages.judged is not None
    put_rebuilt(
        shelf.folder, shelf.save_as, stages.fitted.fit, stages.judged, outcome.source, made=date.today()
    )


def refusal(report: dict[str, Any]) -> str | None:
    """The sentence that says why there is no target; None where there is one."""
    if report["verdict"] != "refused":
        return None
    reason: str = report["warnings"][-1]["text"]
    return reason


def _outcome(scan: "Scan", job: "Job", donor: "Scan | None", progress: Progress) -> "Rebuild":
    """Rebuild; a lack of evidence that ends the work early is an outcome too, and gets its report."""
    from gaploft.pipeline import rebuild
    from gaploft.report.model import Rebuild
    from gaploft.scan.model import Note

    try:
        return rebuild(scan, job, donor=donor, progress=progress)
    except EvidenceError as error:
        warnings = (*scan.notes, Note("no_evidence", str(error)))
        return Rebuild(job, scan.source, None, None, "refused", warnings)
