"""A progress bar for people at a terminal; silence for everything else."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

from gaploft.progress import STAGES, Progress, silent


@contextmanager
def progress_bar(stream: TextIO) -> Iterator[Progress]:
    """Give a ``progress(stage, share)`` that draws on ``stream`` when that is a terminal."""
    if not stream.isatty():
        yield silent
        return
    from tqdm import tqdm

    with tqdm(total=100, file=stream, leave=False, bar_format="{desc:9}|{bar}| {n:3.0f} % {elapsed}") as bar:

        def show(stage: str, share: float) -> None:
            bar.set_description_str(stage, refresh=False)
            done = 100.0 * (STAGES.index(stage) + min(max(share, 0.0), 1.0)) / len(STAGES)
            bar.update(max(0.0, done - bar.n))

        yield show
