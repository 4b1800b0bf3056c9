"""Run many jobs, each into a folder of its own, and write one summary of all."""

import shutil
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from gaploft.batch.lanes import work_off
from gaploft.batch.names import folder_names
from gaploft.batch.worker import Attempt, Task, Work
from gaploft.files.folder import refuse_inputs, whole_folder
from gaploft.files.whole import STAGING, write_whole
from gaploft.job_file import read_job
from gaploft.one_job import refusal, run_job
from gaploft.report.outputs import clear_outputs
from gaploft.report.summary import JobRow, as_csv, row_of, unusable_row
from gaploft.report.summary_page import summary_page

SUMMARY_NAMES = ("summary.csv", "summary.html")
_LOST = (
    "its process was ended from outside or ran out of memory, also with no other job beside it: "
    "thin the scan out in the scanning program"
)


def run_batch(
    job_paths: Sequence[Path],
    directory: Path,
    *,
    n_lanes: int,
    ended: Callable[[JobRow], None] = lambda row: None,
    work: Work = run_job,
) -> tuple[JobRow, ...]:
    """Do all jobs, ``n_lanes`` at a time, and write ``summary.csv`` and ``summary.html``.

    A job that fails stops none. One whose process dies, or that runs out of memory, is tried once more at
    the end with nothing else beside it. An unexpected error also leaves its traceback on stderr.

    Parameters
    ----------
    job_paths : job files; the summary keeps their order
    directory : made if it is missing; gets a folder for each job, replaced as for one job alone
    n_lanes : processes at a time
    ended : told of each job as it ends
    work : does one job, in another process

    Raises
    ------
    InputError
        The summary can't be written, or would be written over a file that a job reads.
    """
    names = folder_names(job_paths, reserved=SUMMARY_NAMES)
    inputs = _inputs(job_paths)
    refuse_inputs(directory, SUMMARY_NAMES, inputs)
    tasks = [Task(path, directory / name, inputs) for path, name in zip(job_paths, names, strict=True)]
    with whole_folder(directory, SUMMARY_NAMES) as staging:
        rows = _rows(tasks, n_lanes, ended, work)
        write_whole(staging / "summary.csv", as_csv(rows).encode("utf-8"))
        write_whole(staging / "summary.html", summary_page(rows).encode("utf-8"))
    return rows


def _rows(
    tasks: Sequence[Task], n_lanes: int, ended: Callable[[JobRow], None], work: Work
) -> tuple[JobRow, ...]:
    """Do all tasks; those that were lost once more, one by one."""
    rows: dict[int, JobRow] = {}
    lost: list[int] = []

    def told(index: int, attempt: Attempt, seconds: float) -> None:
        task = tasks[index]
        if attempt.report is None:
            _tidy(task)
        if attempt.lost and index not in lost:
            lost.append(index)
            return
        rows[index] = _row(task, attempt, seconds)
        ended(rows[index])

    try:
        work_off(list(enumerate(tasks)), n_lanes, work, told)
        if lost:
            work_off([(index, tasks[index]) for index in sorted(lost)], 1, work, told)
    except BaseException:
        for index in set(range(len(tasks))) - set(rows):
            _sweep(tasks[index].directory)
        raise
    return tuple(rows[index] for index in range(len(tasks)))


def _row(task: Task, attempt: Attempt, seconds: float) -> JobRow:
    if attempt.trace is not None:
        sys.stderr.write(attempt.trace)
    name = task.directory.name
    if attempt.report is None:
        return unusable_row(name, attempt.fault or _LOST, seconds=seconds)
    return row_of(name, attempt.report, reason=refusal(attempt.report), seconds=seconds)


def _inputs(job_paths: Sequence[Path]) -> tuple[Path, ...]:
    """All files that any of the jobs reads."""
    found: dict[Path, None] = {}
    for path in job_paths:
        found[path] = None
        # What is wrong with a job is told when its turn comes.
        with suppress(Exception):
            found.update(dict.fromkeys(read_job(path).inputs))
    return tuple(found)


def _tidy(task: Task) -> None:
    """What a job that failed leaves: nothing; a process that was killed could not see to it."""
    _sweep(task.directory)
    clear_outputs(task.directory, keep=task.inputs)


def _sweep(directory: Path) -> None:
    """Remove what waited in a folder to become results, and the folder if nothing else is in it."""
    for staging in directory.glob(f"{STAGING}*"):
        shutil.rmtree(staging, ignore_errors=True)
        with suppress(OSError):
            directory.rmdir()
