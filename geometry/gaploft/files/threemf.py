"""Write meshes as 3MF, which says its unit itself.

Layout: 3MF Consortium, "3D Manufacturing Format: Core Specification", version 1.3: a zip folder (Open
Packaging Conventions) that holds one XML model, and two lists that say so.
"""

import hashlib
import io
import re
import zipfile
from pathlib import Path
from xml.parsers import expat
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.files.facts import WrittenMesh, corner_area, corners_manifold, must_equal
from gaploft.files.whole import write_whole
from gaploft.scan.topology import count_edges

Floats = NDArray[np.float64]

#: Digits behind the point: a millionth of a millimetre, more than any other format here carries.
_DIGITS = 6
_AT_ONCE = 50_000
_MODEL = "3D/3dmodel.model"
#: The earliest date a zip folder can state. The same mesh has to give the same bytes on any day.
_NO_DATE = (1980, 1, 1, 0, 0, 0)
_XML = '<?xml version="1.0" encoding="UTF-8"?>\n'
_TYPES = (
    f'{_XML}<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">\n'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>\n'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>\n'
    "</Types>\n"
)
_RELATIONS = (
    f'{_XML}<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">\n'
    f'<Relationship Id="rel0" Target="/{_MODEL}" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>\n'
    "</Relationships>\n"
)
_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
#: All but digits, points and signs become blanks, so that NumPy reads the numbers at once.
_NUMBERS = bytes(code if chr(code) in "0123456789.-" else 32 for code in range(256))


def write_threemf(
    path: Path,
    vertices_mm: Floats,
    triangles: NDArray[np.int32],
    *,
    holds: str,
    frame: str = "scan",
) -> WrittenMesh:
    """Write a triangle mesh, vertices (n, 3) in mm and triangles (m, 3), in millimetres to six digits.

    Parameters
    ----------
    path : where the file is to be
    vertices_mm, triangles : anticlockwise seen from outside; a closed mesh is written as a solid body, an
        open one as a surface
    holds : what it is, for the title
    frame : "scan" or "machine", for the description

    Raises
    ------
    InputError
        The file can't be written, or doesn't hold the mesh when read back.
    """
    # Adding nothing takes the sign off numbers that round to nothing.
    rounded = np.round(vertices_mm, _DIGITS) + 0.0
    data = _packed(_model(rounded, triangles, holds, frame))

    def check(back: bytes) -> None:
        vertices, found = _unpacked(back, path)
        must_equal(vertices, rounded, path)
        must_equal(found, triangles, path)

    write_whole(path, data, check=check)
    corners = rounded[triangles]
    return WrittenMesh(
        file=path.name,
        facets=len(triangles),
        area_mm2=corner_area(corners),
        manifold=corners_manifold(corners),
        rounding_mm=float(np.abs(rounded - vertices_mm).max(initial=0.0)),
        sha256=hashlib.sha256(data).hexdigest(),
    )


def _model(vertices: Floats, triangles: NDArray[np.int32], holds: str, frame: str) -> bytes:
    edges = count_edges(triangles, len(vertices))
    kind = "model" if edges.manifold and edges.boundary == 0 else "surface"
    corner = f'<vertex x="%.{_DIGITS}f" y="%.{_DIGITS}f" z="%.{_DIGITS}f"/>\n'
    facet = '<triangle v1="%d" v2="%d" v3="%d"/>\n'
    return (
        f'{_XML}<model unit="millimeter" xml:lang="en-GB" xmlns="{_CORE}">\n'
        f'<metadata name="Title">{escape(holds)}</metadata>\n'
        f'<metadata name="Description">unit mm, frame of the {escape(frame)}</metadata>\n'
        '<metadata name="Application">gaploft</metadata>\n'
        f'<resources>\n<object id="1" type="{kind}">\n<mesh>\n<vertices>\n'
        f"{_printed(corner, vertices)}</vertices>\n<triangles>\n{_printed(facet, triangles)}"
        "</triangles>\n</mesh>\n</object>\n</resources>\n"
        '<build>\n<item objectid="1"/>\n</build>\n</model>\n'
    ).encode()


def _printed(line: str, rows: NDArray[np.generic]) -> str:
    """One line for each row, some at a time: Python's numbers take ten times the room of the text."""
    parts = (rows[start : start + _AT_ONCE] for start in range(0, len(rows), _AT_ONCE))
    return "".join((line * len(part)) % tuple(part.ravel().tolist()) for part in parts)


def _packed(model: bytes) -> bytes:
    folder = io.BytesIO()
    with zipfile.ZipFile(folder, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as package:
        for name, text in (
            ("[Content_Types].xml", _TYPES.encode()),
            ("_rels/.rels", _RELATIONS.encode()),
            (_MODEL, model),
        ):
            entry = zipfile.ZipInfo(name, _NO_DATE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            # Else the zip folder tells on which system it was made.
            entry.create_system = 0
            package.writestr(entry, text)
    return folder.getvalue()


def _unpacked(data: bytes, path: Path) -> tuple[Floats, NDArray[np.int64]]:
    """Vertices and triangles that a file holds; InputError if it is none in millimetres."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            model = package.read(_MODEL)
        expat.ParserCreate().Parse(model, True)
    except (zipfile.BadZipFile, KeyError, expat.ExpatError) as error:
        raise InputError(f"{path} can't be read back ({error}): check the disk and write it again") from None
    vertices = re.search(rb"<vertices>(.*)</vertices>", model, flags=re.DOTALL)
    triangles = re.search(rb"<triangles>(.*)</triangles>", model, flags=re.DOTALL)
    if b'<model unit="millimeter"' not in model or vertices is None or triangles is None:
        raise InputError(f"{path} holds no mesh in mm when read back: check the disk and write it again")
    # The names of the corners hold a number themselves.
    numbers = triangles[1].replace(b"v1=", b"").replace(b"v2=", b"").replace(b"v3=", b"").translate(_NUMBERS)
    return (
        np.fromstring(vertices[1].translate(_NUMBERS), sep=" ").reshape(-1, 3),
        np.fromstring(numbers, dtype=np.int64, sep=" ").reshape(-1, 3),
    )
