"""One file for each tube on the shelf."""

import hashlib
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from gaploft.errors import InputError
from gaploft.files.whole import write_whole
from gaploft.shelf.descriptor import N_COLUMNS, descriptor
from gaploft.shelf.fields import arrays_of, in_own_frame, numbers_of, shape_from
from gaploft.shelf.form import MOST_BYTES, Array, Cut, NotATube, packed, unpacked, unpacked_head
from gaploft.shelf.model import Entry, Head, Provenance, is_name

#: How the name of a tube's file ends.
ENDING = ".tube"
#: A head is read with one look at the disk if it is not longer; that of a tube of 500 mm is not.
_FIRST_BYTES = 20_480


def write_entry(path: Path, entry: Entry) -> Entry:
    """Put a tube on the shelf.

    Parameters
    ----------
    path : file to be written, whole or not at all; its name ends with :data:`ENDING`
    entry : the tube, in any place and pose

    Returns
    -------
    Entry
        As it is read back: in its own frame, with the file's SHA-256.

    Raises
    ------
    InputError
        The file can't be written, or doesn't hold the tube when read back.
    """
    if path.suffix != ENDING:
        raise ValueError(f"the name of a tube's file ends with {ENDING}, got {path.name}")
    shape = in_own_frame(entry.shape)
    fields = {"name": entry.name, "provenance": asdict(entry.provenance), **numbers_of(shape)}
    arrays = arrays_of(shape)
    if not all(np.isfinite(array).all() for array in arrays.values()):
        raise ValueError("the tube holds numbers that are not finite")
    data = packed(fields, {**arrays, "descriptor": descriptor(shape)})
    if len(data) > MOST_BYTES:
        raise InputError(f"{path} would hold {len(data) >> 20} MB: put a shorter stretch on the shelf")

    def check(back: bytes) -> None:
        read = arrays_of(_entry(back, path).shape)
        if not all(np.array_equal(read[name], array) for name, array in arrays.items()):
            raise InputError(f"{path} holds another tube when read back: check the disk and write it again")

    write_whole(path, data, check=check)
    return _entry(data, path)


def read_entry(path: Path) -> Entry:
    """Take a tube from the shelf.

    Raises
    ------
    InputError
        The file can't be read, is damaged, no tube's file, or of a later version.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        raise _unreadable(path, error) from None
    return _entry(data, path)


def read_head(path: Path) -> Head:
    """Read no more of a file than a search needs; raises as :func:`read_entry` does."""
    try:
        with path.open("rb", buffering=0) as stream:
            n_bytes = stream.seek(0, 2)
            stream.seek(0)
            data = stream.read(_FIRST_BYTES)
            for _ in range(3):
                try:
                    fields, table = unpacked_head(data, n_bytes)
                    return _head(fields, table)
                except Cut as more:
                    data += stream.read(min(more.n_bytes, MOST_BYTES) - len(data))
        raise NotATube("is damaged")
    except OSError as error:
        raise _unreadable(path, error) from None
    except NotATube as error:
        raise _refused(path, error) from None


def _entry(data: bytes, path: Path) -> Entry:
    try:
        if len(data) > MOST_BYTES:
            raise NotATube("is larger than any tube's file")
        fields, arrays = unpacked(data)
        head = _head(fields, arrays["descriptor"])
        shape = shape_from(fields, arrays)
    except NotATube as error:
        raise _refused(path, error) from None
    return Entry(head.name, shape, head.provenance, hashlib.sha256(data).hexdigest())


def _head(fields: dict[str, Any], table: Array) -> Head:
    name, said = fields.get("name"), fields.get("provenance")
    if not is_name(name) or not isinstance(said, dict):
        raise NotATube("does not say its name and where it is from")
    if table.dtype != np.float32 or table.ndim != 2 or table.shape[1] != N_COLUMNS or len(table) < 2:
        raise NotATube("holds a descriptor of the wrong shape")
    try:
        return Head(name, Provenance(**said), table.astype(np.float32, copy=False))
    except (TypeError, ValueError) as error:
        raise NotATube(f"does not say where it is from ({error})") from None


def _refused(path: Path, error: NotATube) -> InputError:
    return InputError(f"{path} {error}: take it off the shelf, or put the tube there again")


def _unreadable(path: Path, error: OSError) -> InputError:
    return InputError(f"{path} can't be read ({error.strerror or error}): check the folder and the file")
