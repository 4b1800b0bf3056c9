"""How long work tells what it is doing, and how it is stopped."""

from collections.abc import Callable

#: The stages of one rebuild, in order; the keys of ``seconds`` in the report.
STAGES = ("read", "tube", "fit", "evidence", "mesh", "write")

#: ``progress(stage, share)``: ``stage`` is one of ``STAGES``, ``share`` of that stage done, 0 to 1.
#: Raising :class:`gaploft.errors.Cancelled` inside stops the work there.
Progress = Callable[[str, float], None]


def silent(stage: str, share: float) -> None:
    """Report nothing and never cancel."""
