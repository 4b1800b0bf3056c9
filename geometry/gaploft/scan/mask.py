"""Masks: which vertices of a scan file are damaged, as a text file with one index a line."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.job import Job
from gaploft.scan.read import read_bytes


def read_mask(path: Path) -> NDArray[np.int64]:
    """Read vertex indices, one a line, counted from 0; sorted and without repeats. Raises InputError."""
    try:
        lines = read_bytes(path).decode("utf-8-sig").split("\n")
    except UnicodeDecodeError:
        raise InputError(f"{path.name} is not a text file; it must hold one vertex index a line") from None
    words = [line.strip() for line in lines]
    for number, word in enumerate(words, start=1):
        if word and not (word.isascii() and word.isdigit() and len(word) < 19):
            raise InputError(
                f"line {number} of {path.name} is {word[:40]!r}, but must be one vertex index, "
                "a whole number from 0 up"
            )
    indices = np.unique(np.array([word for word in words if word], dtype=np.int64))
    if len(indices) == 0:
        raise InputError(
            f"{path.name} holds no vertex index: "
            "remove mask from [damage] if the damage goes all the way round"
        )
    return indices


def check_mask(job: Job, n_source_vertices: int) -> None:
    """Raise InputError when the mask names a vertex that the scan file doesn't hold."""
    indices = job.damage.source_vertices
    if indices is None or len(indices) == 0 or int(indices[-1]) < n_source_vertices:
        return
    raise InputError(
        f"the mask names vertex {int(indices[-1])}, but the scan file holds {n_source_vertices} vertices, "
        "counted from 0: make the mask from this very scan file"
    )
