"""A whole job of the workshop on a round tube: each piece against its closed form, each file as reported."""

import hashlib
import json
from dataclasses import replace

import numpy as np
import pytest
import trimesh

import plain_tube
from gaploft.errors import InputError
from gaploft.job import (
    BedSettings,
    Damage,
    FrameSettings,
    Job,
    Layers,
    Ply,
    ReachSettings,
    Reading,
    TargetSettings,
    WallSettings,
)
from gaploft.pipeline import rebuild, rebuild_changed
from gaploft.report.outputs import write_outputs
from gaploft.report.pieces import PIECE_NAMES
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource

RADIUS_MM, NOISE_MM = 16.0, 0.01
#: The fit's error on a tube as plain as this is some hundredths of the noise; ten times as much is allowed.
FIT_MM = 0.003
COATS_MM, COVER_MM, WALL_MM = 0.1, 0.25, 0.9
PLIES = (Ply("twill", 3, 200.0, 1.76, 0.5),)
JOB = Job(
    Damage(np.array([0.0, 0.0, 130.0]), np.array([0.0, 0.0, 160.0])),
    target=TargetSettings(overlap_mm=30.0),
    layers=Layers(paint_mm=COATS_MM, cover_mm=COVER_MM),
    wall=WallSettings(WALL_MM),
    bed=BedSettings(ratio=20.0, cut_back_mm=1.0, plies=PLIES),
    reach=ReachSettings(4.0),
    formats=("3mf",),
)


@pytest.fixture(scope="module")
def scan():
    vertices, faces = plain_tube.open_tube(length=300.0, n_u=151, n_v=100, gap=(130.0, 160.0))
    rng = np.random.default_rng(5)
    vertices[:, :2] *= 1.0 + rng.normal(0.0, NOISE_MM / RADIUS_MM, len(vertices))[:, None]
    source = ScanSource("tube.stl", "00" * 32, "mm", len(vertices), len(faces))
    return scan_from_arrays(vertices, faces, mm_per_unit=1.0, source=source)


@pytest.fixture(scope="module")
def made(scan):
    return rebuild(scan, JOB)


def radius(points):
    return np.hypot(points[:, 0], points[:, 1])


def test_target_and_walls_are_rings_about_the_axis(made):
    outer = RADIUS_MM - COATS_MM
    np.testing.assert_allclose(radius(made.target.vertices_mm), outer - COVER_MM, atol=FIT_MM)
    wall = made.shop.wall
    np.testing.assert_allclose(radius(wall.inner.vertices_mm), outer - WALL_MM, atol=FIT_MM)
    np.testing.assert_allclose(wall.left_mm, WALL_MM - COVER_MM, atol=1e-9)
    section = wall.summary.section
    shell = np.pi * (outer**2 - (outer - WALL_MM) ** 2) * section.length_mm
    assert section.volume_mm3 == pytest.approx(shell, rel=1e-3)
    assert section.watertight


def test_bed_runs_from_the_inner_surface_to_the_laminate(made):
    bed = made.shop.bed
    outer = RADIUS_MM - COATS_MM
    away = np.maximum(129.0 - bed.vertices_mm[:, 2], bed.vertices_mm[:, 2] - 161.0)
    # the scan's rings stand 2 mm apart, and its rims lie on them
    expected = outer - np.clip(WALL_MM - away / 20.0, 0.0, WALL_MM)
    np.testing.assert_allclose(radius(bed.vertices_mm), expected, atol=0.15)
    assert bed.summary.taper_most_mm == pytest.approx(20.0 * WALL_MM, rel=0.01)
    assert bed.summary.reaches_mm == pytest.approx((19.0, 19.0), abs=0.5)


def test_plies_fill_the_bed(made):
    book = made.shop.plies
    assert book.summary.count == 3
    # 200 g/m2, 1.76 g/cm3, half fibre: 0.2273 mm (areal weight over density and fraction)
    assert book.summary.thickness_mm == pytest.approx(3 * 0.22727, abs=1e-4)
    assert [note.code for note in book.notes] == ["plies_thin"], "0.68 mm do not fill a wall of 0.9 mm"


def test_flanks_lie_beyond_the_target(made):
    points, normals = made.shop.flanks
    target = made.target.vertices_mm[:, 2]
    assert ((points[:, 2] < target.min() + 0.1) | (points[:, 2] > target.max() - 0.1)).all()
    np.testing.assert_allclose(np.linalg.norm(normals, axis=1), 1.0, atol=1e-12)


def test_other_settings_give_what_a_fresh_rebuild_does(scan, made):
    job = replace(JOB, wall=WallSettings((Reading(0.8, -5.0, 0.0), Reading(1.0, 35.0, 180.0)), 0.2), bed=None)
    again, fresh = rebuild_changed(made.stages, job), rebuild(scan, job)
    np.testing.assert_array_equal(again.shop.wall.thickness_mm, fresh.shop.wall.thickness_mm)
    assert again.shop.bed is None
    assert again.shop.wall.summary == fresh.shop.wall.summary


def test_a_thin_wall_is_looked_at_first(made):
    thin = rebuild_changed(made.stages, replace(JOB, wall=WallSettings(0.5, 0.3), bed=None))
    assert made.verdict == "ready"
    assert thin.verdict == "check"
    assert "wall_share" in {note.code for note in thin.warnings}


def test_a_bed_longer_than_the_flank_is_left_out_with_a_sentence(made):
    long = rebuild_changed(made.stages, replace(JOB, bed=BedSettings(ratio=200.0, plies=PLIES)))
    assert long.target is not None
    assert (long.shop.bed, long.shop.plies) == (None, None)
    (text,) = [note.text for note in long.warnings if note.code == "no_bed"]
    assert text.startswith("there is no bed: ")


def test_layers_thicker_than_the_wall_are_refused(made):
    with pytest.raises(InputError, match="nothing is left of it: give thinner layers"):
        rebuild_changed(made.stages, replace(JOB, wall=WallSettings(0.2), bed=None))


def test_every_file_is_written_and_reported(made, tmp_path):
    report = write_outputs(made, tmp_path)
    told = {entry["file"]: entry["sha256"] for entry in report["files"]}
    there = {path.name for path in tmp_path.iterdir()} - {"report.json", "report.html"}
    assert set(told) == there
    assert there == {"target.stl", "target.ply"} | set(PIECE_NAMES) - {"target.step"}
    for name, sha256 in told.items():
        assert hashlib.sha256((tmp_path / name).read_bytes()).hexdigest() == sha256, name
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    assert report["wall"]["left_least_mm"] == pytest.approx(WALL_MM - COVER_MM)
    assert report["job"]["bed"]["ratio"] == 20.0
    assert report["reach"]["tool_radius_mm"] == 4.0
    assert report["frame_fit"] is None
    assert report["frame"].startswith("coordinates are those of the scan file")
    solid = trimesh.load_mesh(tmp_path / "section.stl")
    assert solid.is_watertight
    assert solid.volume == pytest.approx(report["wall"]["section"]["volume_mm3"], rel=1e-4)


def test_same_job_same_bytes(scan, made, tmp_path):
    """All but the report, which tells how long the work took."""
    for folder, outcome in (("a", made), ("b", rebuild(scan, JOB))):
        write_outputs(outcome, tmp_path / folder)
    for path in (tmp_path / "a").iterdir():
        if path.stem != "report":
            assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name


def test_a_later_run_without_them_takes_old_pieces_away(made, tmp_path):
    write_outputs(made, tmp_path)
    write_outputs(rebuild_changed(made.stages, replace(JOB, wall=None, bed=None, formats=())), tmp_path)
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {"target.stl", "target.ply", "flanks.ply", "report.json", "report.html"}


def test_files_come_in_the_frame_of_the_machine(scan, made, tmp_path):
    """Its origin at (5, 0, 100), x along the tube: (x, y, z) of the scan comes to (z - 100, y, 5 - x)."""
    points = np.array([[5.0, 0.0, 100.0], [5.0, 0.0, 180.0], [5.0, 40.0, 120.0]])
    framed = rebuild(scan, replace(JOB, frame=FrameSettings(points_mm=points)))
    report = write_outputs(framed, tmp_path)
    assert report["frame_fit"]["kind"] == "points"
    assert report["frame"].startswith("coordinates are those of the machine's frame")
    there = made.target.vertices_mm
    expected = np.column_stack([there[:, 2] - 100.0, there[:, 1], 5.0 - there[:, 0]])
    for name in ("target.ply", "target.3mf"):
        found = trimesh.load_mesh(tmp_path / name, process=False).vertices
        # single precision, or six digits, of some 100 mm
        np.testing.assert_allclose(found, expected, atol=1e-5)
    moved = np.array(report["frame_fit"]["matrix"]) @ np.append(there[7], 1.0)
    np.testing.assert_allclose(moved[:3], expected[7], atol=1e-9)
    # the axis of the tube lies at y = 0, z = 5 there
    for name, wanted in (("inner.stl", RADIUS_MM - COATS_MM - WALL_MM), ("flanks.ply", RADIUS_MM)):
        found = trimesh.load(tmp_path / name, process=False).vertices
        away = np.hypot(found[:, 1], found[:, 2] - 5.0)
        np.testing.assert_allclose(away, wanted, atol=FIT_MM)
    # the scan's own frame stays what the rest of the program works in
    np.testing.assert_array_equal(framed.target.vertices_mm, there)
