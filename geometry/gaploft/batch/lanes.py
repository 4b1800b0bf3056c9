"""Lanes of work: each is one process that does one task after another, and is replaced when it dies.

A pool of several processes breaks as a whole when one of them is killed, and can't say whose task it was
(documentation of ``concurrent.futures.ProcessPoolExecutor``). So each lane is a pool of one.
"""

import multiprocessing
import signal
import sys
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from multiprocessing import connection
from multiprocessing.process import BaseProcess
from time import monotonic, perf_counter

from gaploft.batch.worker import SECONDS_TO_TIDY_UP, Attempt, Task, Work, attempt, begin

#: On Windows a wait without end does not notice Ctrl-C.
_LOOK_UP_S = 0.5

#: Called with a task's place in the order given, how it ended, and the seconds it took.
Ended = Callable[[int, Attempt, float], None]


def work_off(tasks: Sequence[tuple[int, Task]], n_lanes: int, work: Work, ended: Ended) -> None:
    """Do all tasks, ``n_lanes`` at a time, each in a process of a lane.

    Parameters
    ----------
    tasks : each with its place in the order given
    n_lanes : at least 1
    work : does one task; a function that another process can import
    ended : told of each task as it ends; a task whose process died is ``lost``

    Raises
    ------
    BaseException
        Whatever is raised while waiting, or by ``ended``; no process is left then.
    """
    waiting = deque(tasks)
    with _lanes(min(n_lanes, len(tasks))) as lanes:
        free = deque(range(len(lanes)))
        running: dict[Future[Attempt], tuple[int, int, float]] = {}
        while waiting or running:
            while waiting and free:
                index, task = waiting.popleft()
                lane, started = free.popleft(), perf_counter()
                running[_handed(lanes, lane, task, work)] = (index, lane, started)
            done, _ = wait(running, timeout=_LOOK_UP_S, return_when=FIRST_COMPLETED)
            for future in sorted(done, key=lambda one: running[one]):
                index, lane, started = running.pop(future)
                free.append(lane)
                ended(index, _result(future), perf_counter() - started)


def _handed(lanes: list[ProcessPoolExecutor], lane: int, task: Task, work: Work) -> "Future[Attempt]":
    """Give a task to a lane; one whose process has died gets a new process first."""
    try:
        with _ctrl_c_held():
            try:
                return lanes[lane].submit(attempt, task, work)
            except BrokenExecutor:
                lanes[lane].shutdown(wait=False)
                lanes[lane] = _lane()
                return lanes[lane].submit(attempt, task, work)
    except OSError as error:  # no process could be started
        lanes[lane].shutdown(wait=False, cancel_futures=True)
        lanes[lane] = _lane()
        failed: Future[Attempt] = Future()
        failed.set_exception(error)
        return failed


def _result(future: "Future[Attempt]") -> Attempt:
    """How a task ended; with its process, or stopped by somebody else, it is lost."""
    return Attempt(lost=True) if future.exception() is not None else future.result()


def _lane() -> ProcessPoolExecutor:
    return ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"), initializer=begin)


@contextmanager
def _lanes(n_lanes: int) -> Iterator[list[ProcessPoolExecutor]]:
    """Give lanes; whatever is raised in the block, their processes end with it."""
    others = set(multiprocessing.active_children())
    lanes = [_lane() for _ in range(n_lanes)]
    try:
        yield lanes
    except BaseException:
        for lane in lanes:
            lane.shutdown(wait=False, cancel_futures=True)
        _stop([child for child in multiprocessing.active_children() if child not in others])
        raise
    for lane in lanes:
        lane.shutdown()


def _stop(processes: list[BaseProcess]) -> None:
    """End processes: first so that they tidy up, then by force."""
    # Windows can only end a process by force, but has told each of them of Ctrl-C itself.
    if sys.platform != "win32":
        for process in processes:
            process.terminate()
    alive = {process.sentinel: process for process in processes}
    until = monotonic() + SECONDS_TO_TIDY_UP
    while alive and monotonic() < until:
        for sentinel in connection.wait(list(alive), timeout=until - monotonic()):
            del alive[sentinel]  # type: ignore[arg-type]
    for process in alive.values():
        process.kill()
        process.join()


@contextmanager
def _ctrl_c_held() -> Iterator[None]:
    """Hold Ctrl-C back while a process is started, which then is born deaf to it and ends without a word."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
