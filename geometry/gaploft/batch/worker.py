"""What a worker process does: one job at a time, and it tells how each ended."""

import os
import signal
import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import parent_process
from pathlib import Path
from types import FrameType
from typing import Any

from gaploft.errors import InputError
from gaploft.stopping import deaf, stoppable

#: Does one job: :func:`gaploft.one_job.run_job`, or what stands in for it.
Work = Callable[..., dict[str, Any]]
#: Read by the linear algebra libraries when they are loaded.
_ONE_THREAD = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "BLIS_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)
#: After that a process is ended by force.
SECONDS_TO_TIDY_UP = 10.0


@dataclass(frozen=True)
class Task:
    """One job, its folder, and the files of all jobs, which no result may be written over."""

    job: Path
    directory: Path
    inputs: tuple[Path, ...] = ()


@dataclass(frozen=True)
class Attempt:
    """How one try at a task ended.

    Attributes
    ----------
    report : what ``report.json`` holds; None where there is none
    fault : one sentence; None where there is a report
    trace : where an unexpected error came from
    lost : for want of memory, or with its process: it may go well with nothing else beside it
    """

    report: dict[str, Any] | None = None
    fault: str | None = None
    trace: str | None = None
    lost: bool = False


def begin() -> None:
    """Prepare a new worker process."""
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    # Between jobs Ctrl-C is for the process that hands them out, and it ends this one.
    signal.signal(signal.SIGINT, deaf)
    signal.signal(signal.SIGTERM, _leave)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_end_with_parent, daemon=True).start()


def attempt(task: Task, work: Work) -> Attempt:
    """Do one task; whatever is wrong with it is told, so that the next one can follow."""
    with stoppable():
        try:
            return Attempt(work(task.job, task.directory, others=task.inputs, apart=False))
        except InputError as error:
            return Attempt(fault=str(error))
        except MemoryError:
            return Attempt(lost=True)
        except Exception as error:  # noqa: BLE001 - told with its traceback
            said = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
            fault = (
                f"the program failed on this job ({said}): report it with the job and what stands on stderr"
            )
            return Attempt(fault=fault, trace=traceback.format_exc())


def _leave(number: int, frame: FrameType | None) -> None:
    """End at once: between two jobs there is nothing to tidy up."""
    os._exit(1)


def _end_with_parent() -> None:
    """Don't outlive the process that hands out jobs, even if it was killed."""
    if hasattr(signal, "pthread_sigmask"):
        # A signal that came to this thread would not wake the one that works.
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
    parent = parent_process()
    if parent is None:
        return
    parent.join()
    until = time.monotonic() + SECONDS_TO_TIDY_UP
    while time.monotonic() < until:
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(0.1)
    os._exit(1)
