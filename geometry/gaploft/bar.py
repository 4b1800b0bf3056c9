"""Progress bars of the command line, drawn only where somebody watches."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TextIO

from gaploft.progress import STAGES, Progress, silent


@contextmanager
def progress_bar(stream: TextIO, stages: Sequence[str] = STAGES) -> Iterator[Progress]:
    """Give a ``progress(stage, share)`` that draws on ``stream`` when that is a terminal."""
    if not stream.isatty():
        yield silent
        return
    from tqdm import tqdm

    with tqdm(total=100, file=stream, leave=False, bar_format="{desc:9}|{bar}| {n:3.0f} % {elapsed}") as bar:

        def show(stage: str, share: float) -> None:
            bar.set_description_str(stage, refresh=False)
            done = 100.0 * (stages.index(stage) + min(max(share, 0.0), 1.0)) / len(stages)
            bar.update(max(0.0, done - bar.n))

        yield show


@contextmanager
def job_bar(stream: TextIO, n_jobs: int) -> Iterator[Callable[[str], None]]:
    """Give a function that puts one line on stdout and counts one more job on ``stream``."""
    if not stream.isatty():

        def tell(line: str) -> None:
            sys.stdout.write(line + "\n")
            sys.stdout.flush()

        yield tell
        return
    from tqdm import tqdm

    looks = "{desc:9}|{bar}| {n} of {total} {elapsed}"
    with tqdm(total=n_jobs, desc="jobs", file=stream, leave=False, mininterval=0.0, bar_format=looks) as bar:

        def count(line: str) -> None:
            bar.write(line, file=sys.stdout)  # takes the bar away for the moment
            bar.update(1)

        yield count
