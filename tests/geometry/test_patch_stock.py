"""A measured part against a target without rings: closed forms on cap and saddle, from arrays and files."""

import dataclasses
import json
import re

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import plain_patch
import plain_rebuild
import plain_tube
from gaploft import cli
from gaploft.errors import InputError
from gaploft.files.flanks import write_flanks
from gaploft.files.ply_back import read_ply_back
from gaploft.report.outputs import write_outputs
from gaploft.report.stock_pictures import draw_stock
from gaploft.report.stock_target import read_target
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from gaploft.stock.check import check_stock
from gaploft.stock.model import GRIND, LEAVE, UNSEEN, StockSettings, TargetSkin

DEPTH_MM, STOCK_MM, NOISE_MM = 0.3, 0.1, 0.01


def skin_of(target, **more):
    return TargetSkin(
        target.vertices_mm,
        target.triangles,
        target.normals,
        target.band95_mm,
        target.zone,
        target.depth_mm,
        **more,
    )


def scan_of(points, triangles):
    source = ScanSource("part.stl", "00" * 32, "mm", len(points), len(triangles))
    return scan_from_arrays(points, triangles, mm_per_unit=1.0, source=source)


def cap_part(over_mm, *, step_mm=0.5, reach_mm=19.0, hole=None):
    """A ball ``over_mm`` larger than the outer one, scanned beyond the cap; a hole where ``hole(x, y)``."""
    flat, triangles = plain_patch.disc(reach_mm, reach_mm, step_mm, seed=3)
    lean, turn = np.hypot(*flat.T) / plain_patch.BALL_MM, np.arctan2(flat[:, 1], flat[:, 0])
    unit = np.column_stack([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])
    points = (plain_patch.BALL_MM + over_mm) * unit - [0.0, 0.0, plain_patch.BALL_MM]
    if hole is not None:
        triangles = triangles[~hole(points[:, 0], points[:, 1])[triangles].any(axis=1)]
    return scan_of(points, triangles)


def saddle_part(over, *, noise=0.0, moved=None, seed=2, step_mm=0.6):
    """A part that stands ``over(x, y)`` over the saddle along its normals, scanned beyond it."""
    flat, triangles = plain_patch.disc(31.0, 22.0, step_mm, seed=8)
    height, normals = plain_patch.saddle_height(*flat.T)
    up = over(*flat.T) + np.random.default_rng(seed).normal(0.0, noise, len(flat))
    points = np.column_stack([flat, height]) + up[:, None] * normals
    return scan_of(points if moved is None else moved(points), triangles)


def laid_up(x, y):
    """0.1 mm over the target where it is rebuilt and a little beyond; elsewhere the original surface."""
    a, b = plain_patch.SADDLE_MM
    return np.where(np.hypot(x / a, y / b) < 0.6, STOCK_MM - DEPTH_MM, 0.0)


def test_an_offset_of_a_tenth_is_a_stock_of_a_tenth():
    """Between balls of radius 39.7 and 39.8 mm, over the cap alone: volume and area in closed form."""
    target = plain_patch.cap(0.5, depth_mm=DEPTH_MM)
    stock = check_stock(skin_of(target), cap_part(STOCK_MM - DEPTH_MM, step_mm=0.3))
    inner = plain_patch.BALL_MM - DEPTH_MM
    # facets of the part lie (h/40)^2/8 of 40 mm lower
    np.testing.assert_allclose(stock.stock_mm, STOCK_MM, atol=1e-3)
    assert stock.surplus_max_mm == pytest.approx(STOCK_MM, abs=1e-3)
    share = 1.0 - np.cos(plain_patch.CAP_MM / plain_patch.BALL_MM)
    shell = 2 * np.pi / 3 * share * ((inner + STOCK_MM) ** 3 - inner**3)
    # the edge is a polygon of 94 corners, which lacks (2 pi/94)^2/6 of its circle's area
    assert stock.area_mm2 == pytest.approx(plain_patch.cap_area(inner), rel=2e-3)
    assert stock.surplus_volume_mm3 == pytest.approx(shell, rel=0.01)
    assert (stock.covered_fraction, stock.low_spots) == (pytest.approx(1.0), ())
    # the whole ball is 0.2 mm too small, which counts as misfit where the overlap is known
    alone = dataclasses.replace(skin_of(target), zone=None)
    tight = check_stock(
        alone, cap_part(STOCK_MM - DEPTH_MM), StockSettings(tolerance_mm=0.02, uncertainty_mm=0.0)
    )
    assert (tight.label == GRIND).mean() > 0.99
    assert tight.decision.verdict == "not conforming"


def test_a_part_cut_to_its_target_conforms():
    target = plain_patch.cap(depth_mm=DEPTH_MM, band=lambda along: 0.01 + 0.0 * along)
    skin = dataclasses.replace(skin_of(target), zone=None)
    stock = check_stock(skin, cap_part(-DEPTH_MM), StockSettings(stage="machined"))
    assert (stock.label == LEAVE).all()
    assert stock.decision.within_tolerance


def test_a_low_spot_is_found_and_has_no_station():
    """Round, 2.5 mm in radius, 0.15 mm below the target."""

    def over(x, y):
        low = np.clip((2.9 - np.hypot(x - 5.0, y - 2.0)) / 0.4, 0.0, 1.0)
        return (1.0 - low) * (STOCK_MM - DEPTH_MM) - low * (DEPTH_MM + 0.15)

    stock = check_stock(skin_of(plain_patch.saddle(depth_mm=DEPTH_MM)), saddle_part(over, noise=NOISE_MM))
    (spot,) = stock.low_spots
    assert spot.depth_mm == pytest.approx(0.15, abs=2.5 * NOISE_MM)
    assert np.pi * 2.2**2 < spot.area_mm2 < np.pi * 3.0**2
    np.testing.assert_allclose(spot.at_mm[:2], [5.0, 2.0], atol=2.6)
    assert (spot.station_mm, spot.angle_deg) == (None, None)


def test_what_was_not_seen_of_a_patch_is_said():
    """A round hole of 4 mm over the pole: its share of the cap's area is that of their closed forms."""
    target = plain_patch.cap(0.5, depth_mm=DEPTH_MM)
    hole = 40.0 * np.sin(4.0 / 40.0)
    part = cap_part(0.0, step_mm=0.3, hole=lambda x, y: np.hypot(x, y) < hole)
    stock = check_stock(skin_of(target), part)
    missing = plain_patch.cap_area(along_mm=4.0) / plain_patch.cap_area()
    # facets that touch the hole are missing, and samples half a millimetre apart see it
    assert 1.0 - stock.covered_fraction == pytest.approx(missing, rel=0.25)
    assert (stock.label[~stock.seen] == UNSEEN).all()
    pictures = draw_stock(skin_of(target), stock)
    assert len(pictures) == 3
    assert "from three sides" in pictures[0].caption


def test_alignment_holds_the_part_against_what_lies_around():
    """A shift up and tilts are taken out, and the rebuilt zone has its stock again."""
    centre = np.array([0.0, 0.0, 0.7])
    shift, degrees = np.array([0.0, 0.0, 0.12]), (0.15, -0.1, 0.0)
    turn = Rotation.from_euler("xyz", degrees, degrees=True)

    def moved(points):
        return turn.apply(points - centre) + centre + shift

    target = plain_patch.saddle(depth_mm=DEPTH_MM)
    part = saddle_part(laid_up, noise=NOISE_MM, moved=moved)
    stock = check_stock(skin_of(target), part, StockSettings(align=True))
    at = stock.alignment
    assert (at.on, at.applied) == ("overlap", True)
    assert at.significant
    placed = target.outer_mm[target.zone == 1]
    back = moved(placed) @ at.matrix[:3, :3].T + at.matrix[:3, 3]
    off = ((back - placed) * target.normals[target.zone == 1]).sum(axis=1)
    assert np.abs(off).max() < 0.015
    rebuilt = (target.zone == 1) & stock.seen
    assert np.median(stock.stock_mm[rebuilt]) == pytest.approx(STOCK_MM, abs=0.01)
    assert not {"twist about the tube", "slide along the tube"} & set(at.unseen)


def test_flanks_are_taken_where_they_are_known_and_an_empty_file_is_none():
    target = plain_patch.saddle(depth_mm=DEPTH_MM)
    wide, _ = plain_patch.disc(30.0, 21.0, 1.0, seed=5)
    wide = wide[np.hypot(*(wide / plain_patch.SADDLE_MM).T) > 1.02]
    height, normals = plain_patch.saddle_height(*wide.T)
    around = {"flank_points_mm": np.column_stack([wide, height]), "flank_normals": normals}
    part = saddle_part(laid_up, noise=NOISE_MM)
    stock = check_stock(skin_of(target, **around), part)
    assert stock.alignment.on == "flanks"
    assert stock.alignment.offset_mm < 0.02
    nothing = {"flank_points_mm": np.empty((0, 3)), "flank_normals": np.empty((0, 3))}
    assert check_stock(skin_of(target, **nothing), part).alignment.on == "overlap"
    bare = dataclasses.replace(skin_of(target), zone=np.ones_like(target.zone))
    with pytest.raises(InputError, match="intact surface around the repair"):
        check_stock(bare, part, StockSettings(align=True))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """What a rebuild of a patch leaves behind, with the surface around it."""
    out = tmp_path_factory.mktemp("patch")
    write_outputs(plain_rebuild.rebuild(made=plain_patch.saddle(depth_mm=DEPTH_MM)), out)
    wide, _ = plain_patch.disc(30.0, 21.0, 1.0, seed=5)
    wide = wide[np.hypot(*(wide / plain_patch.SADDLE_MM).T) > 1.02]
    height, normals = plain_patch.saddle_height(*wide.T)
    write_flanks(out / "flanks.ply", np.column_stack([wide, height]), normals)
    return out


def test_stock_command_from_the_folder_of_a_patch(folder, tmp_path, capsys):
    part = saddle_part(laid_up)
    plain_tube.write_stl(tmp_path / "part.stl", part.vertices_mm, part.faces)
    known = read_target(folder)
    assert known.patch
    assert known.skin.shape is None
    code = cli.main(
        ["stock", str(folder), str(tmp_path / "part.stl"), "--unit", "mm", "--out", str(tmp_path / "out")]
    )
    assert (code, capsys.readouterr().err) == (0, "")
    stock = json.loads((tmp_path / "out" / "stock.json").read_text(encoding="utf-8"))
    assert stock["target"]["ringed"] is False
    assert stock["alignment"]["on"] == "flanks"
    back = read_ply_back(tmp_path / "out" / "stock.ply")
    target = plain_patch.saddle(depth_mm=DEPTH_MM)
    rebuilt = target.zone == 1
    np.testing.assert_allclose(back.column("stock")[rebuilt], STOCK_MM, atol=0.005)
    page = (tmp_path / "out" / "stock.html").read_text(encoding="utf-8")
    assert page.count("data:image/png;base64,") == 3
    told = re.sub(r"<style>.*?</style>|data:image[^\"]*", "", page, flags=re.DOTALL)
    for word in ("unrolled", "first ring", "tube beyond", "about the tube", "Halves"):
        assert word not in told, word
    assert "surface beyond the target" in told
