"""A folder's name for each job of a batch, the same on every file system."""

import unicodedata
from collections import Counter
from collections.abc import Sequence
from pathlib import Path


def folder_names(job_paths: Sequence[Path], reserved: Sequence[str] = ()) -> tuple[str, ...]:
    """Name the folder of each job: its file's name without the ending.

    Jobs of the same name get their parent folder's name before it, and where that is the same too, a
    number behind it in the order given. Names that differ only in upper and lower case, or in how an accent
    is stored, count as the same, since many file systems hold them so.

    Parameters
    ----------
    job_paths : job files, as they were given
    reserved : names that no folder may have
    """
    stems = [_clean(path.stem) for path in job_paths]
    shared = Counter(map(_folded, stems))
    wished = [
        stem if shared[_folded(stem)] == 1 else _clean(f"{path.absolute().parent.name}-{stem}")
        for path, stem in zip(job_paths, stems, strict=True)
    ]
    kept = set(map(_folded, wished))
    taken = set(map(_folded, reserved))
    names = []
    for wish in wished:
        name, number = wish, 1
        while _folded(name) in taken or (number > 1 and _folded(name) in kept):
            number += 1
            name = f"{wish}-{number}"
        taken.add(_folded(name))
        names.append(name)
    return tuple(names)


def _clean(name: str) -> str:
    """Without dots and blanks at its ends: they hide a folder, lead out of it, or get lost on the way."""
    return name.strip(" .") or "job"


def _folded(name: str) -> str:
    """What two names have in common that are one on some file system (Unicode, chapter 3.13, D145)."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", name).casefold())
