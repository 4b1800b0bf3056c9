"""Drawings of the plies read back: DXF by a general library with its audit, SVG by its path data."""

import hashlib
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from functools import cache

import ezdxf
import numpy as np
import pytest

from closed_surfaces import cylinder, spline_of
from gaploft.errors import InputError
from gaploft.files.drawing import write_dxf, write_svg
from gaploft.job import BedSettings, Ply
from gaploft.laminate.plies import lay_plies
from gaploft.target.places import Places
from walled import bedded, even_disc, trusted_fit

R = 16.0
CYLINDER = spline_of(cylinder(R).point, 120.0, 8, 24)
PLIES = (
    Ply("twill 200 g, $ & < \N{GREEK SMALL LETTER MU}", 2, thickness_mm=0.25, angle_deg=45.0),
    Ply("tape", 2, thickness_mm=0.25, angle_deg=-30.0),
)
BOTH = pytest.mark.parametrize(("write", "ending"), [(write_dxf, "dxf"), (write_svg, "svg")])
#: As asked for: extents true to 0.01 mm.
TRUE_MM = 0.01


@cache
def book(kind="ring"):
    places = even_disc(8.0, 0.4) / [1.0, R] + [60.0, 1.0] if kind == "patch" else None
    fit = trusted_fit(CYLINDER, gap=(52.0, 68.0) if kind == "patch" else (50.0, 70.0), patch=places)
    settings = BedSettings(ratio=20.0, plies=PLIES, lap_mm=5.0)
    return lay_plies(fit, settings, bedded(fit, settings), Places(CYLINDER, fit.outline.gap_mm[0]))


def read(tmp_path, kind="ring"):
    write_dxf(tmp_path / "plies.dxf", book(kind))
    return ezdxf.readfile(tmp_path / "plies.dxf")


def on_layer(drawing, kind, layer):
    return list(drawing.modelspace().query(f'{kind}[layer=="{layer}"]'))


def points_of(line):
    return np.array([point[:2] for point in line.get_points()])


@pytest.mark.parametrize("kind", ["ring", "patch"])
def test_dxf_has_no_errors_and_is_in_millimetres(tmp_path, kind):
    drawing = read(tmp_path, kind)
    audit = drawing.audit()
    assert (audit.errors, audit.fixes) == ([], [])
    # Group code 70 of $INSUNITS: 4 is millimetres (reference of the format).
    assert drawing.header["$INSUNITS"] == 4
    assert {layer.dxf.name for layer in drawing.layers} >= {"outline", "warp", "seam", "text", "scale"}


@pytest.mark.parametrize("kind", ["ring", "patch"])
def test_dxf_outlines_are_closed_and_true_to_size_and_lie_apart(tmp_path, kind):
    outlines = on_layer(read(tmp_path, kind), "LWPOLYLINE", "outline")
    assert len(outlines) == 4
    assert all(line.closed for line in outlines)
    boxes = np.array([[points_of(line).min(axis=0), points_of(line).max(axis=0)] for line in outlines])
    rows = book(kind).summary.rows
    assert boxes[:, 1] - boxes[:, 0] == pytest.approx(
        np.array([[row.length_mm, row.width_mm] for row in rows]), abs=1e-5
    )
    assert (boxes[1:, 0, 0] > boxes[:-1, 1, 0] + 1.0).all()
    if kind == "ring":
        # 2 pi (R - depth of the ply's middle), by a length of 20 mm and 5 mm a ply either side, 5 mm of lap.
        widths = 2 * np.pi * (R - np.array([0.875, 0.625, 0.375, 0.125]))
        sizes = np.column_stack([[30.0, 40.0, 50.0, 70.0], widths])
        assert boxes[:, 1] - boxes[:, 0] == pytest.approx(sizes, abs=TRUE_MM)


def test_dxf_has_warp_seam_names_and_a_bar_of_100_mm(tmp_path):
    drawing = read(tmp_path)
    warps = on_layer(drawing, "LINE", "warp")
    ways = np.array([line.dxf.end - line.dxf.start for line in warps])[:, :2]
    assert np.degrees(np.arctan2(ways[:, 1], ways[:, 0])) == pytest.approx([45, 45, -30, -30], abs=1e-3)
    seams = [(line.dxf.end - line.dxf.start).magnitude for line in on_layer(drawing, "LINE", "seam")]
    # Both sides of the cut of all four plies.
    assert sum(seams) == pytest.approx(2 * (30.0 + 40.0 + 50.0 + 70.0), abs=TRUE_MM)
    words = [text.dxf.text for text in on_layer(drawing, "TEXT", "text")]
    assert [w for w in words if w.startswith("ply")] == [
        *(f"ply {k}: twill 200 g, $ & < \N{GREEK SMALL LETTER MU}" for k in (1, 2)),
        "ply 3: tape",
        "ply 4: tape",
    ]
    assert any("measure this bar before cutting" in w for w in words)
    assert any("say nothing about strength" in w for w in words)
    bars = [(line.dxf.end - line.dxf.start).magnitude for line in on_layer(drawing, "LINE", "scale")]
    assert max(bars) == 100.0


def test_a_patch_has_no_seam(tmp_path):
    assert on_layer(read(tmp_path, "patch"), "LINE", "seam") == []


def svg_lines(path):
    """Page in mm, and the points in mm of each stroke with its colour, y downwards."""
    root = ElementTree.parse(path).getroot()
    page = np.array([float(root.attrib[name].removesuffix("mm")) for name in ("width", "height")])
    assert root.attrib["width"].endswith("mm")
    box = np.array(root.attrib["viewBox"].split(), dtype=float)
    scale = page[0] / box[2]
    assert page[1] / box[3] == pytest.approx(scale, rel=1e-5)
    text = path.read_text(encoding="utf-8")
    colours = dict(re.findall(r"\.(C\d+) \{stroke: (#\w+)", text))
    strokes = []
    for element in root.iter("{http://www.w3.org/2000/svg}path"):
        at, points = np.zeros(2), []
        for command, x, y in re.findall(r"([MmLl]) (-?\d+) (-?\d+)", element.attrib["d"]):
            at = np.array([float(x), float(y)]) + (at if command.islower() else 0.0)
            points.append(at)
        strokes.append((colours[element.attrib["class"]], np.array(points) * scale))
    return page, strokes


@pytest.mark.parametrize("kind", ["ring", "patch"])
def test_svg_is_true_to_size_on_its_page(tmp_path, kind):
    write_svg(tmp_path / "plies.svg", book(kind))
    page, strokes = svg_lines(tmp_path / "plies.svg")
    everything = np.concatenate([points for _, points in strokes])
    assert (everything >= 0.0).all()
    assert (everything <= page).all()
    black = [points for colour, points in strokes if colour == "#000000"]
    sizes = np.array([np.ptp(points, axis=0) for points in black])
    rows = book(kind).summary.rows
    expected = np.array([[row.length_mm, row.width_mm] for row in rows])
    assert sizes[np.argsort(sizes[:, 0])] == pytest.approx(expected, abs=TRUE_MM)
    grey = [np.ptp(points, axis=0) for colour, points in strokes if colour == "#808080"]
    assert max(size[0] for size in grey) == pytest.approx(100.0, abs=TRUE_MM)


def test_svg_is_not_upside_down_or_mirrored(tmp_path):
    """Left to right as in the DXF, and y the other way, as SVG counts it."""
    write_svg(tmp_path / "plies.svg", book())
    _, strokes = svg_lines(tmp_path / "plies.svg")
    ways = [points[1] - points[0] for colour, points in strokes if colour == "#ff0000"]
    angles = sorted(float(np.degrees(np.arctan2(-way[1], way[0]))) for way in ways)
    assert angles == pytest.approx([-30.0, -30.0, 45.0, 45.0], abs=0.01)


@BOTH
def test_the_same_plies_make_the_same_bytes(tmp_path, write, ending):
    first, second = (write(tmp_path / f"{name}.{ending}", book()) for name in ("a", "b"))
    data = (tmp_path / f"a.{ending}").read_bytes()
    assert data == (tmp_path / f"b.{ending}").read_bytes()
    assert first.sha256 == second.sha256 == hashlib.sha256(data).hexdigest()
    assert (first.file, second.file) == (f"a.{ending}", f"b.{ending}")
    # No day and no program's own identifier is in there.
    assert not re.search(rb"20[2-9]\d-\d\d-\d\d", data)
    assert not ezdxf.options.write_fixed_meta_data_for_testing


_TINY = """
import sys
from pathlib import Path
import numpy as np
from gaploft.files.drawing import write_dxf, write_svg
from gaploft.laminate.patterns import Pattern
from gaploft.laminate.plies import PlyBook, PlyBookSummary, PlyRow
outline = np.array([[0.0, 0.0], [9.0, 0.0], [9.0, 9.0], [0.0, 9.0]])
square = Pattern((outline,), np.empty((0, 2, 2)), np.empty(0), 81.0, 0.0)
row = PlyRow("cloth", 1, 0.0, 0.2, "measured", None, None, 9.0, 9.0, 81.0, 0.0, 0.0, 0.0)
book = PlyBook(PlyBookSummary((row,), 1, 0.2, 0.2, 180.0, ()), (), ((square,),))
for write in (write_dxf, write_svg):
    print(write(Path(sys.argv[1]) / "tiny", book).sha256)
"""


def test_another_process_makes_the_same_bytes(tmp_path):
    """Sets of names have another order in each process, as their hashes do."""
    sums = [
        subprocess.run(
            [sys.executable, "-c", _TINY, str(tmp_path)],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout.split()
        for seed in ("1", "2", "3")
    ]
    assert len(sums[0]) == 2
    assert sums[0] == sums[1] == sums[2]


@BOTH
def test_a_folder_that_is_missing_is_one_sentence_and_no_file(tmp_path, write, ending):
    with pytest.raises(InputError, match="can't be written"):
        write(tmp_path / "no" / f"plies.{ending}", book())
    assert list(tmp_path.iterdir()) == []
