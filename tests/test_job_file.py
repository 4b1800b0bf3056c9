"""Job files: what a full one gives in millimetres, what is assumed when left out, and every refusal."""

from pathlib import Path

import numpy as np
import pytest

from gaploft.errors import InputError
from gaploft.job import Ply, Reading, WallSettings
from gaploft.job_file import read_job
from gaploft.scan.mask import check_mask

SHORT = """
[scan]
file = "scan.stl"
unit = "mm"
[damage]
from = [0.0, 0.0, 100]
to = [0.0, 0.0, 180.0]
"""


def job(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "job.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_what_is_left_out_is_assumed(tmp_path):
    read = read_job(job(tmp_path, SHORT))
    assert read.scan_path == tmp_path / "scan.stl"
    assert read.unit == "mm"
    assert read.inputs == (tmp_path / "job.toml", tmp_path / "scan.stl")
    assert read.job.damage.from_mm.tolist() == [0.0, 0.0, 100.0]
    assert read.job.damage.source_vertices is None
    assert (read.job.target.chord_tolerance_mm, read.job.target.overlap_mm) == (0.005, 10.0)
    assert read.job.layers.total_mm == 0.0
    assert (read.job.halves.mode, read.job.halves.move) == ("hold", "to")


def test_a_full_job_in_inches(tmp_path):
    """1 in = 25.4 mm exactly (agreement of 1959); target and layers are in mm whatever the scan's unit."""
    (tmp_path / "damaged.txt").write_bytes(b"\xef\xbb\xbf7\r\n3\r\n\r\n7\r\n")
    text = SHORT.replace('"mm"', '"in"').replace("180.0]", '180.0]\nmask = "damaged.txt"')
    text += "[target]\nchord_tolerance = 0.01\noverlap = 0\n[layers]\npaint = 0.12\ncover = 0.25\n"
    text += '[halves]\nmode = "reseat"\nmove = "from"\n'
    read = read_job(job(tmp_path, text))
    np.testing.assert_allclose(read.job.damage.from_mm, [0, 0, 2540.0], rtol=1e-15)
    assert read.job.damage.source_vertices.tolist() == [3, 7]
    assert read.job.damage.source_vertices.dtype == np.int64
    assert (read.job.target.chord_tolerance_mm, read.job.target.overlap_mm) == (0.01, 0.0)
    assert read.job.layers.total_mm == pytest.approx(0.37)
    assert (read.job.halves.mode, read.job.halves.move) == ("reseat", "from")
    assert tmp_path / "damaged.txt" in read.inputs


def test_a_byte_order_mark_is_no_error(tmp_path):
    path = job(tmp_path, "")
    path.write_bytes(b"\xef\xbb\xbf" + SHORT.encode())
    assert read_job(path).unit == "mm"


def test_absolute_paths_stay(tmp_path):
    scan = tmp_path / "elsewhere" / "scan.stl"
    assert read_job(job(tmp_path, SHORT.replace("scan.stl", scan.as_posix()))).scan_path == scan


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ('unit = "mm"', "", r"has no unit.*add unit = "),
        ('unit = "mm"', 'unit = "MM"', r"'MM', but must be one of mm, cm, m, in"),
        ('unit = "mm"', "unit = 1", "must be a text in quotes"),
        ('file = "scan.stl"\nunit = "mm"', "", r"\[scan\] lacks file and unit: add them"),
        ('file = "scan.stl"', "", r"\[scan\] lacks file: add it"),
        ('"scan.stl"', '" "', "must be a text in quotes"),
        ("from = [0.0, 0.0, 100]", "", r"\[damage\] lacks from: add it"),
        ("[damage]\nfrom = [0.0, 0.0, 100]\nto = [0.0, 0.0, 180.0]", "", r"\[damage\] lacks from and to"),
        ("[0.0, 0.0, 100]", "[0.0, 100]", r"three numbers \[x, y, z\]"),
        ("[0.0, 0.0, 100]", "[0.0, nan, 100]", r"three numbers \[x, y, z\]"),
        ("[0.0, 0.0, 100]", "[0.0, true, 100]", r"three numbers \[x, y, z\]"),
        ("[0.0, 0.0, 100]", '"0 0 100"', r"three numbers \[x, y, z\]"),
        ("[0.0, 0.0, 100]", "[0.0, 0.0, 180.0]", "from and to .* are the same point"),
        ("[0.0, 0.0, 180.0]", "[0.0, 0.0, 180.0]\nmaks = 'a'", r"unknown key 'maks': did you mean mask\?"),
        (
            "[0.0, 0.0, 180.0]",
            "[0.0, 0.0, 180.0]\nxyzzy = 'a'",
            "unknown key 'xyzzy'; it can have from, to, mask",
        ),
        ("[damage]", "[damge]", r"unknown entry 'damge': did you mean \[damage\]\?"),
        ("[scan]", "damage = 3\n[scan]", "not valid TOML|must be a table"),
        ("180.0]", "180.0]\n[target]\noverlap = -1", "overlap .* -1 mm, but must be 0 mm or more"),
        ("180.0]", "180.0]\n[target]\noverlap = inf", "must be a number of millimetres"),
        ("180.0]", "180.0]\n[target]\nchord_tolerance = 0", "chord_tolerance .* must be 0.0001 mm or more"),
        ("180.0]", "180.0]\n[layers]\npaint = '0.1'", "paint .* must be a number of millimetres"),
        ("180.0]", "180.0]\n[layers]\ncover = -0.1", "cover .* must be 0 mm or more"),
        ("180.0]", "180.0]\n[layers]\ncover = true", "cover .* must be a number of millimetres"),
        (
            "180.0]",
            "180.0]\n[halves]\nmode = 'put back'",
            'mode .* \'put back\', but must be "hold" or "reseat"',
        ),
        ("180.0]", "180.0]\n[halves]\nmove = 1", 'move .* 1, but must be "to" or "from"'),
        (
            "180.0]",
            "180.0]\n[donor]\nfile = 'spare.stl'",
            r"\[donor\] lacks unit: name the spare section's scan and its unit",
        ),
        ("180.0]", "180.0]\nmask = 'none.txt'", "there is no file"),
        ("180.0]", "180.0", "not valid TOML"),
    ],
)
def test_each_mistake_gets_its_sentence(tmp_path, old, new, text):
    assert old in SHORT
    with pytest.raises(InputError, match=text) as caught:
        read_job(job(tmp_path, SHORT.replace(old, new)))
    assert "\n" not in str(caught.value)


def test_entry_that_is_no_table(tmp_path):
    with pytest.raises(InputError, match=r"layers in job.toml must be a table: write \[layers\]"):
        read_job(job(tmp_path, "layers = 0.1\n" + SHORT))


def test_missing_job(tmp_path):
    with pytest.raises(InputError, match="there is no file"):
        read_job(tmp_path / "none.toml")


def test_job_that_is_no_text(tmp_path):
    (tmp_path / "job.toml").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(InputError, match="TOML in UTF-8"):
        read_job(tmp_path / "job.toml")


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"1\n-2\n", "line 2 of damaged.txt is '-2'"),
        (b"1\n2 3\n", "line 2 of damaged.txt is '2 3'"),
        (b"1.5\n", "line 1"),
        (b"1\n" + b"9" * 30, "line 2"),
        ("²\n".encode(), "line 1"),
        (b"\n\n", "holds no vertex index"),
        (b"\xff\xfe1", "not a text file"),
    ],
)
def test_masks_that_are_none(tmp_path, content, text):
    (tmp_path / "damaged.txt").write_bytes(content)
    with pytest.raises(InputError, match=text):
        read_job(job(tmp_path, SHORT.replace("180.0]", "180.0]\nmask = 'damaged.txt'")))


def test_mask_is_held_against_the_scan(tmp_path):
    (tmp_path / "damaged.txt").write_text("0\n99\n")
    masked = read_job(job(tmp_path, SHORT.replace("180.0]", "180.0]\nmask = 'damaged.txt'"))).job
    check_mask(masked, 100)
    with pytest.raises(InputError, match="names vertex 99, but the scan file holds 99 vertices"):
        check_mask(masked, 99)
    check_mask(read_job(job(tmp_path, SHORT)).job, 0)


SHOP = """
zero = [16.0, 0, 100]
[target]
formats = ["step", "3mf"]
[layers]
paint = [[10.0, 90, 0.12], [16.0, 0, 140, 0.15]]
filler = 0.3
cover = 0.25
other = 0.05
outside = "blend"
tight = "trim"
[wall]
thickness = 0.8
share = 0.25
[bed]
ratio = 30
cut_back = 2.0
lap = 6.0
[[ply]]
name = "twill"
count = 3
weight = 200.0
density = 1.76
fraction = 0.5
angle = 45
[[ply]]
thickness = 0.3
[reach]
tool_radius = 4.0
[frame]
spheres = [[0, 0, 0], [100, 0, 0], [0, 50, 0]]
radius = 6.0
at = [[0, 0, 0], [100, 0, 0], [0, 50, 0]]
"""


def test_the_tables_of_the_workshop_in_centimetres(tmp_path):
    """Places in the scan are in its unit; thicknesses and all that is the machine's are in mm."""
    read = read_job(job(tmp_path, SHORT.replace('"mm"', '"cm"') + SHOP)).job
    assert read.formats == ("3mf", "step")
    assert read.zero_mm.tolist() == [160.0, 0.0, 1000.0]
    assert read.layers.paint_mm == (
        Reading(0.12, station_mm=10.0, angle_deg=90.0),
        Reading(0.15, point_mm=(160.0, 0.0, 1400.0)),
    )
    assert read.layers.total_mm == pytest.approx(0.15 + 0.3 + 0.25 + 0.05)
    assert (read.layers.outside, read.layers.tight) == ("blend", "trim")
    assert read.wall == WallSettings(0.8, 0.25)
    assert (read.bed.ratio, read.bed.step_mm, read.bed.cut_back_mm, read.bed.lap_mm) == (30.0, None, 2.0, 6.0)
    assert read.bed.plies == (Ply("twill", 3, 200.0, 1.76, 0.5, None, 45.0), Ply("cloth", thickness_mm=0.3))
    assert read.reach.tool_radius_mm == 4.0
    assert read.frame.spheres_mm[1].tolist() == [1000.0, 0.0, 0.0]
    assert read.frame.at_mm[1].tolist() == [100.0, 0.0, 0.0]
    assert (read.frame.radius_mm, read.frame.points_mm) == (6.0, None)


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ('["step", "3mf"]', '["stp"]', 'can hold "3mf" and "step"'),
        ('["step", "3mf"]', '"step"', "STL and PLY always come"),
        ("zero = [16.0, 0, 100]", "zero = [16.0, 0]", r"three numbers \[x, y, z\]"),
        ("filler = 0.3", "filler = -0.3", "filler .* must be 0 mm or more"),
        ("filler = 0.3", "filler = []", r"readings \[station, angle, mm\]"),
        ("filler = 0.3", "filler = [[1, 2]]", r"readings \[station, angle, mm\]"),
        ("filler = 0.3", "filler = [[1, 2, -0.3]]", "a reading of filler .* is -0.3 mm"),
        ('outside = "blend"', 'outside = "no"', '"same" or "blend" or "step"'),
        ('tight = "trim"', 'tight = "no"', '"refuse" or "trim"'),
        ("thickness = 0.8", "", "lacks thickness"),
        ("thickness = 0.8", "thickness = 0", "a wall is thicker than that"),
        ("thickness = 0.8", "thickness = [[0, 0, 0.8], [0, 180, 0]]", "a wall is thicker than that"),
        ("share = 0.25", "share = 1.5", "share of the wall above 0 and at most 1"),
        ("[wall]\nthickness = 0.8\nshare = 0.25", "", r"add \[wall\] with its thickness"),
        ("ratio = 30", "ratio = 0", "length over depth, such as 30, above 0"),
        ("ratio = 30", "", "either ratio"),
        ("ratio = 30", "ratio = 30\nstep = 12", "either ratio"),
        ("cut_back = 2.0", "cut_back = -2.0", "must be 0 mm or more"),
        ("[bed]\nratio = 30\ncut_back = 2.0\nlap = 6.0", "", r"no \[bed\] to lay them in"),
        ("count = 3", "count = 0", "a whole number from 1 to 100"),
        ("density = 1.76", "density = 1760", "per cubic centimetre above 0 and at most 10"),
        ("density = 1.76", "", "needs weight, density and fraction"),
        ("angle = 45", 'angle = "45"', "a number of degrees"),
        ("fraction = 0.5", "fraction = 50", "share of the volume above 0 and at most 1"),
        ("fraction = 0.5", "fractions = 0.5", "did you mean fraction"),
        ("tool_radius = 4.0", "tool_radius = 0", "a number of millimetres above 0"),
        ("tool_radius = 4.0", "", "lacks tool_radius"),
        ("spheres = [[0, 0, 0], [100, 0, 0], [0, 50, 0]]", "", "either points or spheres"),
        ("spheres = [[0, 0, 0], [100, 0, 0],", "spheres = [[100, 0, 0],", "3 or more points"),
        ("at = [[0, 0, 0], ", "at = [[9, 9, 9], [0, 0, 0], ", "a place for each sphere"),
        ("spheres = ", "points = ", "none are given: add spheres"),
    ],
)
def test_every_value_of_the_workshop_is_checked(tmp_path, old, new, text):
    wrong = (SHORT + SHOP).replace(old, new, 1)
    assert wrong != SHORT + SHOP
    with pytest.raises(InputError, match=text):
        read_job(job(tmp_path, wrong))


def test_steps_need_plies_and_points_are_three(tmp_path):
    bed = "[wall]\nthickness = 0.8\n[bed]\nstep = 12.0\n"
    with pytest.raises(InputError, match=r"add a \[\[ply\]\] for each cloth"):
        read_job(job(tmp_path, SHORT + bed))
    frame = "[frame]\npoints = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]\n"
    with pytest.raises(InputError, match="must be three: origin, x axis, y side"):
        read_job(job(tmp_path, SHORT + frame))
    with pytest.raises(InputError, match=r"ply in job.toml must be a table: write \[\[ply\]\]"):
        read_job(job(tmp_path, SHORT + "[ply]\nthickness = 0.2\n"))
