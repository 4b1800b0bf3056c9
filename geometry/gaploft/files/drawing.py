"""Write the flat patterns of the plies as drawings, true to size: DXF for cutters, SVG for printers.

Each pattern is as seen from outside, x along the tube from the 'from' end of the damage to its 'to' end.
Lines lie on layers by what they mean, and a bar of 100 mm tells whether a print kept its size.
"""

import hashlib
import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gaploft.files.whole import write_whole
from gaploft.laminate.patterns import Pattern
from gaploft.laminate.plies import PlyBook, PlyRow

if TYPE_CHECKING:
    from ezdxf.document import Drawing

Floats = NDArray[np.float64]
#: Puts words into a drawing: (words, place of their lower left corner, height).
Letters = Callable[[str, tuple[float, float], float], None]

#: Layers and their colours by number: white or black, red, blue, dark grey, grey.
_LAYERS = {"outline": 7, "warp": 1, "seam": 5, "text": 251, "scale": 8}
_TEXT_MM, _ROOM_MM, _BAR_MM, _TICK_MM = 3.0, 12.0, 100.0, 4.0
#: A letter is at most about as wide as it is high.
_LETTER_SHARE = 0.9
_DECIMALS = 6
_MILLIMETRES = 4
_FOOT = (
    "100 mm: measure this bar before cutting. Patterns as seen from outside, left towards the 'from' end.",
    "Red: warp. Blue: seam, edge to edge. Patterns are a plan of sizes and say nothing about strength.",
)
#: The same of a patch, which has no ends and whose patterns have no seam.
_FOOT_OF_PATCH = (
    "100 mm: measure this bar before cutting. Patterns as seen from outside, to the right the way 'along' of "
    "the report.",
    "Red: warp. Patterns are a plan of sizes and say nothing about strength.",
)


@dataclass(frozen=True)
class WrittenDrawing:
    """A drawing on the disk: its name, and the SHA-256 of its bytes."""

    file: str
    sha256: str


def write_dxf(path: Path, book: PlyBook) -> WrittenDrawing:
    """Write all patterns side by side as DXF of 2010, unit mm, the same bytes for the same plies.

    Raises
    ------
    InputError
        The file can't be written.
    """
    with _same_bytes():
        drawing, extent = _drawn(book, None)
        drawing.header["$EXTMIN"], drawing.header["$EXTMAX"] = ((*corner, 0.0) for corner in extent)
        # The library lists what kinds of things there are in the order of a set, another one in each process.
        for kind in sorted(drawing.entitydb.dxf_types_in_use()):
            drawing.classes.add_class(kind)
        stream = io.StringIO()
        drawing.write(stream)
    return _written(path, stream.getvalue().encode("utf-8"))


def write_svg(path: Path, book: PlyBook) -> WrittenDrawing:
    """Write the same as SVG whose width and height are in mm, to be printed at 100 %.

    Letters are outlines, so that they look the same without any fonts.

    Raises
    ------
    InputError
        The file can't be written.
    """
    from ezdxf.addons.drawing import Frontend, RenderContext, config, layout, svg

    with _same_bytes():
        drawing, (low, high) = _drawn(book, _outlined)
        backend = svg.SVGBackend()
        settings = config.Configuration(
            background_policy=config.BackgroundPolicy.WHITE,
            lineweight_policy=config.LineweightPolicy.ABSOLUTE,
        )
        Frontend(RenderContext(drawing), backend, config=settings).draw_layout(drawing.modelspace())
    # Whole millimetres: the size of a page is written with one decimal.
    width, height = (float(np.ceil(high[k] - low[k])) for k in (0, 1))
    page = layout.Page(width, height, layout.Units.mm, layout.Margins.all(0))
    fixed = layout.Settings(fit_page=False, scale=1.0)
    return _written(path, backend.get_string(page, settings=fixed).encode("utf-8"))


@contextmanager
def _same_bytes() -> Iterator[None]:
    """Dates and identifiers that depend on nothing but the drawing, for as long as one is made."""
    import ezdxf

    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


def _written(path: Path, data: bytes) -> WrittenDrawing:
    write_whole(path, data)
    return WrittenDrawing(path.name, hashlib.sha256(data).hexdigest())


def _drawn(book: PlyBook, outlined: Any) -> tuple["Drawing", tuple[tuple[float, float], tuple[float, float]]]:
    """The drawing, and the corners of what it takes up with a margin around it."""
    import ezdxf

    drawing = ezdxf.new("R2010", units=_MILLIMETRES)
    for name, colour in _LAYERS.items():
        drawing.layers.add(name, color=colour)
    space = drawing.modelspace()

    def typed(words: str, at: tuple[float, float], height: float) -> None:
        space.add_text(words, height=height, dxfattribs={"layer": "text"}).set_placement(at)

    letters: Letters = typed if outlined is None else lambda *what: outlined(space, *what)
    x, top = 0.0, 0.0
    for row, pieces in zip(book.summary.rows, book.pieces, strict=True):
        for piece in pieces:
            width, height = _place(space, row, piece, x, letters)
            x, top = x + width + _ROOM_MM, max(top, height)
    foot = -_ROOM_MM - 4 * _TEXT_MM
    for a, b in (((0, 0), (_BAR_MM, 0)), *(((k, 0), (k, _TICK_MM)) for k in (0.0, _BAR_MM))):
        space.add_line((a[0], foot + a[1]), (b[0], foot + b[1]), dxfattribs={"layer": "scale"})
    notes = _FOOT_OF_PATCH if isnan(book.summary.seam_angle_deg) else _FOOT
    for k, words in enumerate(notes):
        letters(words, (0.0, foot - (k + 1) * 2 * _TEXT_MM), _TEXT_MM)
    right = max(x, _LETTER_SHARE * _TEXT_MM * max(map(len, notes)))
    low = (-_ROOM_MM, foot - (len(notes) + 1) * 2 * _TEXT_MM)
    return drawing, (low, (right, top + _ROOM_MM))


def _place(space: Any, row: PlyRow, piece: Pattern, x: float, letters: Letters) -> tuple[float, float]:
    """Draw one pattern with its lower left corner at (x, 0); returns how much room it takes."""
    low = piece.outlines_mm[0].min(axis=0)
    length, width = piece.size_mm
    shift = np.array([x, 0.0]) - low

    def moved(points: Floats) -> list[tuple[float, ...]]:
        return [tuple(point) for point in (np.round(points + shift, _DECIMALS) + 0.0).tolist()]

    for outline in piece.outlines_mm:
        space.add_lwpolyline(moved(outline), close=True, dxfattribs={"layer": "outline"})
    for seam in piece.seams_mm:
        space.add_line(*moved(seam), dxfattribs={"layer": "seam"})
    angle, centre = np.radians(row.angle_deg), low + 0.5 * np.array([length, width])
    half = 0.3 * min(length, width) * np.array([np.cos(angle), np.sin(angle)])
    space.add_line(*moved(np.array([centre - half, centre + half])), dxfattribs={"layer": "warp"})
    name = " ".join(row.name.split())
    words = (f"ply {row.number}: {name}", f"warp {row.angle_deg:g} deg, {length:.1f} x {width:.1f} mm")
    for k, line in enumerate(words):
        letters(line, (x, -(k + 1) * 1.5 * _TEXT_MM), _TEXT_MM)
    return max(length, _LETTER_SHARE * _TEXT_MM * max(map(len, words))), width


def _outlined(space: Any, words: str, at: tuple[float, float], height: float) -> None:
    """Letters as closed lines, of the font that comes with the plotting library."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    path = TextPath((0.0, 0.0), words.replace("$", r"\$"), size=height, prop=FontProperties("DejaVu Sans"))
    for polygon in path.to_polygons(closed_only=True):
        points = np.round(np.asarray(polygon, dtype=np.float64)[:-1] + at, _DECIMALS) + 0.0
        space.add_lwpolyline(points.tolist(), close=True, dxfattribs={"layer": "text"})
