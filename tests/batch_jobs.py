"""Stand-ins for the geometry that a worker process can import: the first word of a job says what happens."""

import contextlib
import os
import signal
import time
from pathlib import Path

import plain_rebuild
from gaploft.errors import InputError
from gaploft.one_job import run_job
from gaploft.report.outputs import write_outputs

#: Long enough for a slow machine, short beside a test that hangs.
PATIENCE_S = 60.0


def write(folder, **what):
    """Make job files of these names, each with the word for what happens to it; give their paths in order."""
    paths = []
    for name, word in what.items():
        path = Path(folder) / f"{name}.toml"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(word, encoding="utf-8")
        paths.append(path)
    return paths


def work(job, directory, *, others=(), apart=True):
    """Do what the job file says; outcomes are written as those of a real rebuild are."""
    if not job.is_file():
        return run_job(job, directory, others=others, apart=apart)
    word, _, more = job.read_text(encoding="utf-8").partition(" ")
    if word in ENDINGS:
        ENDINGS[word](job, directory, more)
    return written(directory, "ready" if word in ENDINGS else word)


def written(directory, verdict, progress=lambda stage, share: None):
    outcome = plain_rebuild.rebuild(verdict)
    return write_outputs(outcome, directory, draw=lambda target, shop: lambda: (), progress=progress)


def unusable(job, directory, more):
    raise InputError(f"{job.name} is of no use: write another")


def bug(job, directory, more):
    raise ZeroDivisionError("of a test")


def memory(job, directory, more):
    raise MemoryError


def killed(job, directory, more):
    """Die in the middle of writing, as for want of memory."""

    def progress(stage, share):
        if share > 0.5:
            os.kill(os.getpid(), signal.SIGKILL)

    written(directory, "ready", progress)


def once(job, directory, more):
    """Die the first time only."""
    marker = job.with_suffix(".tried")
    if not marker.exists():
        marker.touch()
        os.kill(os.getpid(), signal.SIGKILL)


def meet(job, directory, more):
    """Wait until the other job is there too: that never happens one after the other."""
    job.with_suffix(".here").touch()
    wait_for(job.with_name(more).with_suffix(".here").exists)


def alone(job, directory, more):
    """Fail if another such job is running."""
    busy = job.with_name("busy")
    busy.touch(exist_ok=False)
    time.sleep(0.2)
    busy.unlink()


def hang(job, directory, more):
    """Wait in the middle of writing, and say where that is."""

    def progress(stage, share):
        if share > 0.5:
            job.with_suffix(".pid").write_text(str(os.getpid()))
            time.sleep(PATIENCE_S)

    written(directory, "ready", progress)


ENDINGS = {
    function.__name__: function for function in (unusable, bug, memory, killed, once, meet, alone, hang)
}


def wait_for(condition, seconds=PATIENCE_S):
    """Wait until a condition holds, and fail when it never does."""
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.02)


def is_running(pid):
    """Tell whether a process is there and has not ended."""
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


def threads(job, directory, *, others=(), apart=True):
    """How many threads the linear algebra of this process takes."""
    import scipy.linalg  # noqa: F401
    from threadpoolctl import threadpool_info

    return {"threads": [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]}
