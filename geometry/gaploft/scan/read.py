"""Read a scan from a file: the door through which scans come in."""

import hashlib
from os import PathLike
from pathlib import Path

from gaploft.errors import InputError
from gaploft.job import MM_PER_UNIT
from gaploft.progress import Progress, silent
from gaploft.scan.mend import mended_scan
from gaploft.scan.model import Scan, ScanSource
from gaploft.scan.parse import parse_mesh


def read_scan(path: str | PathLike[str], unit: str, *, progress: Progress = silent) -> Scan:
    """Read an STL, PLY or OBJ file, mend it in a copy and convert it to millimetres.

    Parameters
    ----------
    path : path of the file, which is read once and never changed
    unit : ``"mm"``, ``"cm"``, ``"m"`` or ``"in"``: the unit of the coordinates, which these files don't state

    Returns
    -------
    Scan
        In the frame of the file. ``vertex_of_source`` follows the vertices of the file; for STL
        these are the corners of its facets, ``3 * facet + corner``.

    Raises
    ------
    InputError
        The file or the unit can't be used; the text says why and what to do.
    """
    path = Path(path)
    file = path.name
    if unit not in MM_PER_UNIT:
        raise InputError(f"the unit of {file} is {unit!r}, but must be one of {', '.join(MM_PER_UNIT)}")
    data = read_bytes(path)
    progress("read", 0.1)
    raw = parse_mesh(data, suffix=path.suffix, file=file)
    progress("read", 0.4)
    source = ScanSource(
        file=file,
        sha256=hashlib.sha256(data).hexdigest(),
        unit=unit,
        vertices=len(raw.vertices),
        faces=len(raw.faces),
    )
    vertices, faces = raw.vertices, raw.faces
    del data, raw
    scan = mended_scan(vertices, faces, mm_per_unit=MM_PER_UNIT[unit], source=source, progress=progress)
    progress("read", 1.0)
    return scan


def read_bytes(path: Path) -> bytes:
    """Read a whole file, or say in one sentence why that can't be done (InputError)."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"there is no file {path}: check the name and the folder") from None
    except IsADirectoryError:
        raise InputError(f"{path} is a folder: name the file itself") from None
    except OSError as error:
        raise InputError(f"{path} can't be read: {error.strerror or error}") from None
