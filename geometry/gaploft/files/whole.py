"""Write one file whole or not at all."""

import os
from collections.abc import Callable
from pathlib import Path

from gaploft.errors import InputError

#: How the name of a folder begins in which results wait until all of them are whole.
STAGING = ".gaploft-"


def _accept(data: bytes) -> None:
    """Check nothing."""


def write_whole(path: Path, data: bytes, *, check: Callable[[bytes], None] = _accept) -> None:
    """Write ``data`` under a temporary name in the same folder, read it back, check it, rename it.

    Parameters
    ----------
    path : where the file is to be; an older file there stays until the new one is whole
    data : what it is to hold
    check : called with the bytes read back from the disk; what it raises stops the writing

    Raises
    ------
    InputError
        The folder is missing or can't be written to, the disk is full, or what came back differs.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        back = part.read_bytes()
        if back != data:
            raise InputError(f"{path} came back from the disk changed: check the disk and write it again")
        check(back)
        part.replace(path)
    except OSError as error:
        raise cannot_write(path, error) from None
    finally:
        _forget(part)


def cannot_write(path: Path, error: OSError) -> InputError:
    """One sentence for a folder or disk that refuses."""
    if path.parent.name.startswith(STAGING):
        path = path.parent.parent / path.name
    return InputError(
        f"{path} can't be written ({error.strerror or error}): "
        "choose a folder that can be written to, on a disk with room"
    )


def _forget(part: Path) -> None:
    """Remove a temporary file if there is one; what is wrong with the folder has been said already."""
    try:
        part.unlink(missing_ok=True)
    except OSError:
        return
