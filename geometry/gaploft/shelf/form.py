"""The form of a tube's file: an uncompressed zip of one JSON text and arrays in NumPy's open format.

``DEVELOPERS.md`` describes it for whoever wants to read such a file with another program. Layouts: PKWARE,
"APPNOTE.TXT - .ZIP File Format Specification", 6.3; NumPy Enhancement Proposal 1, "A Simple File Format for
NumPy Arrays", version 1.0.
"""

import hashlib
import io
import json
import math
import re
import struct
import zipfile
import zlib
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64] | NDArray[np.float32]

FORMAT, VERSION = "gaploft tube", 1
HEAD = "tube.json"
#: All arrays, in the order in which they lie in the file; the first is what a search needs.
ARRAYS = ("descriptor", "section", "moves", "solution", "known_at", "spread")
#: No tube comes near to these: 5 m of a thin one hold 2 MB.
MOST_BYTES, _MOST_TEXT = 64 << 20, 1 << 20

#: The earliest date a zip folder can state: the same tube has to give the same bytes on any day.
_NO_DATE = (1980, 1, 1, 0, 0, 0)
_LOCAL = struct.Struct("<4s5H3I2H")
_CENTRAL_BYTES, _END_BYTES = 46, 22
_MAGIC = b"\x93NUMPY\x01\x00"
_NPY = re.compile(
    rb"\{'descr': '(<f[48])', 'fortran_order': False, 'shape': \((\d{1,7}), ?(\d{0,7})\), \} *\n"
)


class NotATube(Exception):
    """What is wrong with a file, as the end of a sentence."""


def packed(fields: Mapping[str, Any], arrays: Mapping[str, Array]) -> bytes:
    """Bytes of a file: the fields, with sizes and hashes of the arrays added to them, and the arrays."""
    members = {name: _npy(arrays[name]) for name in ARRAYS}
    listed = {
        name: {"file": _file(name), "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        for name, data in members.items()
    }
    said = {"format": FORMAT, "version": VERSION, "unit": "mm", **fields, "arrays": listed}
    text = json.dumps(said, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    folder = io.BytesIO()
    with zipfile.ZipFile(folder, "w", zipfile.ZIP_STORED) as package:
        for name, data in ((HEAD, text.encode()), *((_file(n), d) for n, d in members.items())):
            entry = zipfile.ZipInfo(name, _NO_DATE)
            # Else the zip folder tells on which system it was made.
            entry.create_system = 0
            package.writestr(entry, data)
    return folder.getvalue()


def unpacked(data: bytes) -> tuple[dict[str, Any], dict[str, Array]]:
    """Fields and arrays of a whole file."""
    fields, _, _ = _begun(data, len(data))
    arrays = {}
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            if package.namelist() != [HEAD, *map(_file, ARRAYS)]:
                raise NotATube("holds other things than the arrays of one tube")
            for name in ARRAYS:
                member = package.getinfo(_file(name))
                if member.compress_type != zipfile.ZIP_STORED:
                    raise NotATube("is compressed, which no tube's file is")
                arrays[name] = _array(package.read(member), fields, name)
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError) as error:
        raise NotATube(f"is damaged ({error})") from None
    return fields, arrays


def unpacked_head(data: bytes, n_bytes: int) -> tuple[dict[str, Any], Array]:
    """Fields and descriptor from the beginning of a file that is ``n_bytes`` long.

    Raises :class:`Cut` when more of the file is needed.
    """
    fields, name, at = _begun(data, n_bytes)
    if name != _file(ARRAYS[0]):
        raise NotATube("does not begin with a descriptor")
    start, size = at
    if len(data) < start + size:
        raise Cut(start + size)
    return fields, _array(data[start : start + size], fields, ARRAYS[0])


class Cut(Exception):
    """So many bytes of the file are needed."""

    def __init__(self, n_bytes: int) -> None:
        super().__init__(n_bytes)
        self.n_bytes = n_bytes


def _begun(data: bytes, n_bytes: int) -> tuple[dict[str, Any], str, tuple[int, int]]:
    """Fields of a file, and name, start and size of what follows them."""
    name, (start, size), crc = _member(data, 0)
    if name != HEAD or size > _MOST_TEXT:
        raise NotATube("is no tube's file")
    if len(data) < start + size + 512 and len(data) < n_bytes:
        raise Cut(min(n_bytes, start + size + 16384))
    text = data[start : start + size]
    if zlib.crc32(text) != crc:
        raise NotATube("is damaged (its text is not what was written)")
    try:
        fields = json.loads(text)
        _check_version(fields)
        sizes = [int(fields["arrays"][name]["bytes"]) for name in ARRAYS]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise NotATube("is no tube's file") from None
    names = [HEAD, *map(_file, ARRAYS)]
    per_member = _LOCAL.size + _CENTRAL_BYTES
    whole = size + sum(sizes) + sum(per_member + 2 * len(name) for name in names) + _END_BYTES
    if n_bytes != whole:
        raise NotATube(f"is {n_bytes} bytes long instead of {whole}: a part of it is missing or was added")
    following, at, _ = _member(data, start + size)
    return fields, following, at


def _check_version(fields: Mapping[str, Any]) -> None:
    if fields["format"] != FORMAT or fields["unit"] != "mm":
        raise NotATube("is no tube's file")
    if fields["version"] != VERSION:
        found = str(fields["version"])[:20]
        raise NotATube(f"is of version {found}, but this program reads version {VERSION}")


def _member(data: bytes, at: int) -> tuple[str, tuple[int, int], int]:
    """Name, start and size, and checksum of the member of a zip folder that begins at a place."""
    if len(data) < at + _LOCAL.size:
        raise NotATube("is no tube's file")
    sign, _, flags, method, _, _, crc, size, plain, n_name, n_extra = _LOCAL.unpack_from(data, at)
    if sign != b"PK\x03\x04" or flags & ~0x800 or method or size != plain:
        raise NotATube("is no tube's file")
    start = at + _LOCAL.size + n_name
    return data[at + _LOCAL.size : start].decode("ascii", "replace"), (start + n_extra, size), crc


def _file(name: str) -> str:
    return f"{name}.npy"


def _npy(array: Array) -> bytes:
    """An array as NumPy's own format, whose header NumPy itself pads differently from version to version."""
    kind = np.dtype(array.dtype).newbyteorder("<")
    shape = repr(tuple(map(int, array.shape)))
    header = f"{{'descr': '{kind.str}', 'fortran_order': False, 'shape': {shape}, }}"
    pad = -(len(_MAGIC) + 2 + len(header) + 1) % 64
    text = (header + " " * pad + "\n").encode()
    return _MAGIC + struct.pack("<H", len(text)) + text + np.ascontiguousarray(array, dtype=kind).tobytes()


def _array(data: bytes, fields: Mapping[str, Any], name: str) -> Array:
    """An array, with all that can be wrong with it looked for before any room is taken for it."""
    listed = fields["arrays"][name]
    if len(data) != listed["bytes"] or hashlib.sha256(data).hexdigest() != listed.get("sha256"):
        raise NotATube(f"is damaged (its {name} is not what was written)")
    begin = len(_MAGIC) + 2
    header = data[begin : begin + int.from_bytes(data[begin - 2 : begin], "little")]
    found = _NPY.fullmatch(header)
    if not data.startswith(_MAGIC) or found is None:
        raise NotATube(f"holds a {name} that is no array of floating-point numbers")
    kind = np.dtype(found[1].decode())
    shape = tuple(int(n) for n in (found[2], found[3]) if n)
    body = data[begin + len(header) :]
    if math.prod(shape) * kind.itemsize != len(body):
        raise NotATube(f"holds a {name} that is cut short")
    array = np.frombuffer(body, kind).reshape(shape).astype(kind.newbyteorder("="))
    if not np.isfinite(array).all():
        raise NotATube(f"holds a {name} with numbers that are not finite")
    return array
