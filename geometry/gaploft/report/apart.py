"""Pictures drawn by a process of its own, which loads matplotlib while the scan is read and fitted.

Loading and drawing take about as long as everything else that is written, and need nothing but the target
and the arrays that go with it.
"""

import os
import pickle
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Protocol

from gaploft.report.pictures import Picture, draw_pictures
from gaploft.report.shop_pictures import ShopArrays
from gaploft.target.model import Target


class Draw(Protocol):
    """Begins to draw a target with what else is known of it, and returns what waits for its pictures."""

    def __call__(self, target: Target, shop: ShopArrays | None = None) -> Callable[[], tuple[Picture, ...]]:
        """Begin to draw."""


def drawing_here(target: Target, shop: ShopArrays | None = None) -> Callable[[], tuple[Picture, ...]]:
    """Draw in this process, once the pictures are wanted."""
    return lambda: draw_pictures(target, shop)


@contextmanager
def drawing_apart() -> Iterator[Draw]:
    """Give a function that has one target drawn as :func:`gaploft.report.pictures.draw_pictures` does.

    The process ends with the block at the latest. If it can't be started or fails, the caller's own
    process draws, and what is wrong shows there.
    """
    child = _started()

    def draw(target: Target, shop: ShopArrays | None = None) -> Callable[[], tuple[Picture, ...]]:
        if child is None or not _asked(child, target, shop):
            return drawing_here(target, shop)

        def drawn() -> tuple[Picture, ...]:
            pictures = _answer(child)
            return draw_pictures(target, shop) if pictures is None else pictures

        return drawn

    try:
        yield draw
    finally:
        if child is not None:
            child.kill()
            with suppress(OSError), child:
                pass


def _started() -> "subprocess.Popen[bytes] | None":
    """Start a Python that waits for a target; it finds this very library first."""
    if not sys.executable:
        return None
    places = [str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH", "")]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(place for place in places if place)}
    command = [sys.executable, "-P", "-m", "gaploft.report.apart"]
    try:
        return subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
        )
    except OSError:
        return None


def _asked(child: "subprocess.Popen[bytes]", target: Target, shop: ShopArrays | None) -> bool:
    """Hand a target to the process, unless it has ended."""
    assert child.stdin is not None
    try:
        child.stdin.write(pickle.dumps((target, shop)))
        child.stdin.close()
    except OSError:
        return False
    return True


def _answer(child: "subprocess.Popen[bytes]") -> tuple[Picture, ...] | None:
    """Pictures that the process has drawn; None if it failed."""
    assert child.stdout is not None
    answer = child.stdout.read()
    if child.wait() != 0:
        return None
    pictures: tuple[Picture, ...] = pickle.loads(answer)
    return pictures


def _serve() -> None:
    """Be the other process: load matplotlib, wait for a target, answer with its pictures."""
    # Ctrl-C reaches both; the one who asked ends this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        import matplotlib.backends.backend_agg
        import matplotlib.figure  # noqa: F401
    except ImportError:
        pass
    request = sys.stdin.buffer.read()
    if request:
        sys.stdout.buffer.write(pickle.dumps(draw_pictures(*pickle.loads(request))))


if __name__ == "__main__":
    _serve()
