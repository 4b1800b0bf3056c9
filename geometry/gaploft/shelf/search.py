"""Find the tube on a shelf that a broken tube is one of."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path

from gaploft.errors import InputError
from gaploft.progress import Progress, silent
from gaploft.shelf.found import Candidate, F, Found, Query
from gaploft.shelf.model import Head
from gaploft.shelf.ranking import broken_tube, ranked
from gaploft.shelf.store import ENDING, read_entry, read_head
from gaploft.surface.shape import Shape

#: Heads that are read between two reports of progress, and shares of the work: reading and comparing them.
_AT_ONCE, _READ, _COMPARED = 250, 0.3, 0.3


def search(
    folder: Path,
    query: Query,
    *,
    register: Callable[[Shape], F | None] | None = None,
    best: int = 5,
    mirrored: bool = False,
    progress: Progress = silent,
) -> Found[F]:
    """Rank the tubes on a shelf by how well they fit a broken one.

    Parameters
    ----------
    folder : the shelf; files in it whose names don't end with ``.tube`` are left alone, and so are folders
    register : lays a tube, which lies where it should but for little, onto the points of the broken one; None
        if it does not fit, which takes it off the list. Without it sections alone decide
    best : how many are registered and returned at most
    mirrored : whether mirror images serve as well

    Returns
    -------
    Found
        Whether the best one fits is for the caller to say, from its misfit.

    Raises
    ------
    InputError
        The folder can't be read.
    """
    tube = broken_tube(query)
    read, skipped = _heads(_paths(folder), progress)
    order, too_short = ranked([head for _, head in read], tube, mirrored)
    candidates: list[Candidate[F]] = []
    tried = 0
    for n, lies in order:
        if tried == best:
            break
        progress("shelf", _READ + _COMPARED + (1.0 - _READ - _COMPARED) * tried / best)
        path, head = read[n]
        try:
            stored = read_entry(path).shape
        except InputError as error:
            skipped.append((path.name, str(error)))
            continue
        tried += 1
        shape = lies.laid(stored)
        fit = register(shape) if register else None
        if register is None or fit is not None:
            misfit = lies.lying.misfit_mm if fit is None else fit.misfit_mm
            where = lies.where(tube, len(head.descriptor))
            candidates.append(Candidate(head.name, path, head.provenance, misfit, where, shape, fit))
    candidates.sort(key=lambda candidate: candidate.misfit_mm)
    return Found(tuple(candidates), len(read), too_short, tuple(skipped))


def _paths(folder: Path) -> list[Path]:
    """Files of a shelf by name."""
    try:
        with os.scandir(folder) as items:
            names = sorted(item.name for item in items if item.name.endswith(ENDING) and item.is_file())
    except OSError as error:
        raise InputError(
            f"the shelf {folder} can't be read ({error.strerror or error}): "
            "name the folder that your tubes lie in"
        ) from None
    return [folder / name for name in names]


def _heads(
    paths: Sequence[Path], progress: Progress
) -> tuple[list[tuple[Path, Head]], list[tuple[str, str]]]:
    """Heads of all files that have one, and what is wrong with the others."""
    read, skipped = [], []
    for k, path in enumerate(paths):
        if k % _AT_ONCE == 0:
            progress("shelf", _READ * k / len(paths))
        try:
            read.append((path, read_head(path)))
        except InputError as error:
            skipped.append((path.name, str(error)))
    return read, skipped
