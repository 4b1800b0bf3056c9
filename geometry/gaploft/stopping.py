"""Stopped from outside: Ctrl-C, or a system that asks a program to end."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


def deaf(number: int, frame: FrameType | None) -> None:
    """Hear a signal and do nothing.

    A function, since Python tells of an error on stderr when a signal that has come already is then ignored.
    """


@contextmanager
def stoppable() -> Iterator[None]:
    """Let SIGTERM stop the work as Ctrl-C does, and keep a second one from disturbing the tidying up."""

    def stop(number: int, frame: FrameType | None) -> None:
        for known in (signal.SIGINT, signal.SIGTERM):
            signal.signal(known, deaf)
        raise KeyboardInterrupt

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
