"""The sample scenes: same bytes each time, one closed outer skin, and a truth that is one."""

import json
import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.optimize import minimize

import bench_repair
import make_scenes
from frame_tubes import ArcTube
from irregular import correlated_noise
from junction import joined
from make_scenes import SCENES, SEAT_CLUSTER, SEAT_TUBE, scanned, write_scene
from truth import truth_distance

FOLDER = Path(make_scenes.__file__).parent


@pytest.fixture(scope="module")
def skin():
    return joined(
        SEAT_TUBE,
        list(SEAT_CLUSTER.tubes[1:]),
        fillet_mm=3.0,
        edge_mm=2.0,
        rng=np.random.default_rng(2),
    )


def test_same_bytes_twice(tmp_path):
    first = write_scene(SEAT_CLUSTER, tmp_path / "a", edge_mm=2.0)
    second = write_scene(SEAT_CLUSTER, tmp_path / "b", edge_mm=2.0)
    assert first == second
    for file in (tmp_path / "a").iterdir():
        assert file.read_bytes() == (tmp_path / "b" / file.name).read_bytes(), file.name
    other = write_scene(replace(SEAT_CLUSTER, seed=1), tmp_path / "c", edge_mm=2.0)
    assert other["sha256"] != first["sha256"]


@pytest.fixture(scope="module")
def all_made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("scenes")
    subprocess.run([sys.executable, FOLDER / "make_scenes.py", "--out", folder], check=True)
    return folder


@pytest.mark.parametrize(
    "scene", ["seat_cluster", "down_tube_bench", "spare_section", "stay_pair", "stay_junction"]
)
def test_full_scene_is_the_stored_one(scene, all_made):
    for name in ("expected.json", "job.toml", "truth.json"):
        made, stored = all_made / scene / name, FOLDER / scene / name
        assert made.read_text(encoding="utf-8") == stored.read_text(encoding="utf-8"), name


def test_skin_is_one_closed_surface_with_an_opening_at_each_tube_end(skin):
    edges = np.sort(skin.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    used, count = np.unique(edges, axis=0, return_counts=True)
    assert set(count) == {1, 2}
    mesh = trimesh.Trimesh(skin.points, skin.faces, process=False)
    assert mesh.body_count == 1
    assert mesh.is_winding_consistent
    open_edges = used[count == 1]
    ends = [0.0, SEAT_TUBE.length_mm, *(tube.length_mm for tube in SEAT_CLUSTER.tubes[1:])]
    parts = [0, 0, 1, 2, 3]
    for end, part in zip(ends, parts, strict=True):
        here = (np.abs(skin.along_mm - end) < 1e-9) & (skin.part == part)
        assert here[open_edges].all(axis=1).sum() == here.sum()
    # Euler's number of a sphere with five openings
    assert len(skin.points) - len(used) + len(skin.faces) == 2 - len(ends)


def test_nothing_of_the_skin_lies_inside_a_tube(skin):
    for tube in SEAT_CLUSTER.tubes:
        along, _, level = tube.unroll(skin.points)
        within = (along > 0.0) & (along < tube.length_mm)
        # a fillet leaves its own tube along a chord: 3 mm over a bend of 260 mm sag by 0.0043 mm
        assert (level[within].min() - 1.0) * min(tube.half_axes_end_mm) > -(3.0**2) / (8.0 * 260.0)


def test_distance_against_a_plain_minimiser():
    tube = SEAT_CLUSTER.tubes[1]
    rng = np.random.default_rng(3)
    along, around = rng.uniform(40.0, 240.0, 8), rng.random(8)
    height = rng.uniform(-3.0, 3.0, 8)
    points, normals = tube.evaluate(along, around)
    points = points + height[:, None] * normals

    def away(parameters, point):
        return np.sum((tube.evaluate(parameters[:1], parameters[1:])[0][0] - point) ** 2)

    for i, point in enumerate(points):
        start = [along[i] + 0.7, around[i] + 0.01]
        plain = minimize(away, start, args=(point,), method="Nelder-Mead", tol=1e-13)
        assert abs(tube.distance(point[None])[0]) == pytest.approx(np.sqrt(plain.fun), abs=1e-5)
    np.testing.assert_allclose(tube.distance(points), height, atol=1e-9)


def test_bent_tube_is_a_torus():
    tube = ArcTube((0, 0, 0), (0, 0, 1), (1, 0, 0), 200.0, (16.0, 16.0), (16.0, 16.0), 1 / 400.0)
    points = np.random.default_rng(4).uniform(-25.0, 25.0, (200, 3)) + [0.0, 0.0, 60.0]
    to_ring = np.hypot(np.hypot(points[:, 0] - 400.0, points[:, 2]) - 400.0, points[:, 1])
    sound = to_ring > 4.0
    np.testing.assert_allclose(tube.distance(points[sound]), to_ring[sound] - 16.0, atol=1e-8)


def test_truth_file_speaks_in_the_frame_of_the_scan(tmp_path):
    write_scene(SEAT_CLUSTER, tmp_path, edge_mm=2.0)
    scan = trimesh.load_mesh(tmp_path / "scan.stl", process=False)
    job = tomllib.loads((tmp_path / "job.toml").read_text(encoding="utf-8"))
    start, stop = (np.array(job["damage"][key]) for key in ("from", "to"))
    axis = (stop - start) / np.linalg.norm(stop - start)
    past = (scan.vertices - stop) @ axis
    near_axis = np.linalg.norm(np.cross(scan.vertices - stop, axis), axis=1) < 20.0
    flank = scan.vertices[near_axis & (past > 20.0) & (past < 60.0)]
    error = truth_distance(tmp_path, flank)
    # debris aside, vertices carry the noise asked for
    assert np.median(np.abs(error)) == pytest.approx(0.6745 * SEAT_CLUSTER.faults.noise_mm, rel=0.3)
    dense = trimesh.load_mesh(tmp_path / "truth.ply", process=False)
    # PLY holds 32-bit numbers: 1.5e-5 mm at 250 mm
    assert np.abs(truth_distance(tmp_path, dense.vertices)).max() < 5e-5


def test_gap_is_empty_and_flanks_are_long_enough(skin):
    tube, (low, high) = SEAT_CLUSTER.tubes[SEAT_CLUSTER.broken], SEAT_CLUSTER.gap_mm
    made = scanned(replace(SEAT_CLUSTER, faults=replace(SEAT_CLUSTER.faults, clumps=0)), edge_mm=2.0)
    along, _, level = tube.unroll((made.vertices - made.shift) @ made.turn)
    assert not ((along > low) & (along < high) & (level < 1.3)).any()
    assert tube.length_mm - high >= 90.0
    first = skin.along_mm[(skin.part == SEAT_CLUSTER.broken)].min()
    assert low - first - 2 * SEAT_CLUSTER.fillet_mm >= 90.0


def test_noise_is_as_strong_and_as_wide_as_asked():
    rng = np.random.default_rng(5)
    points = rng.uniform(0.0, 60.0, (4000, 3)) * [1.0, 1.0, 0.0]
    twin = points + [2.0, 0.0, 0.0]
    noise = correlated_noise(np.concatenate([points, twin]), rms_mm=0.03, correlation_mm=2.0, rng=rng)
    assert np.sqrt(np.mean(noise**2)) == pytest.approx(0.03, rel=1e-12)
    correlation = np.corrcoef(noise[:4000], noise[4000:])[0, 1]
    # exp(-1/2) at one correlation length; some 200 independent patches leave 0.05 (one deviation)
    assert correlation == pytest.approx(np.exp(-0.5), abs=0.15)


def test_expected_file_names_its_origin():
    for scene in SCENES:
        stored = json.loads((FOLDER / scene.name / "expected.json").read_text(encoding="utf-8"))
        assert stored["seed"] == scene.seed
        assert stored["generator_version"] == make_scenes.GENERATOR_VERSION


def test_blend_is_small_and_compressed():
    for scene in SCENES:
        content = (FOLDER / scene.name / f"{scene.name}.blend").read_bytes()
        assert len(content) < 2_000_000
        # a Zstandard frame, RFC 8878, section 3.1.1
        assert content[:4] == b"\x28\xb5\x2f\xfd"


def bench_heights(name, folder, edge_mm=None):
    """Height of a bench scan's points above the original surface, and where they lie along the tube."""
    bench_repair.write_bench(folder, edge_mm=edge_mm)
    points = trimesh.load_mesh(folder / f"{name}.stl", process=False).vertices.astype(float)
    here = (points - bench_repair.SHIFT_MM) @ bench_repair.TURN
    along, around, _ = bench_repair.TUBE.unroll(here)
    return truth_distance(folder, points), along, around


def test_laid_up_part_stands_where_it_says(tmp_path):
    """Above the target by the stock, at the low spots below it; beyond the lap the tube is as it was."""
    height, along, around = bench_heights("laid_up", tmp_path, edge_mm=1.0)
    intact = (along < 65.0) | (along > 195.0)
    noise = bench_repair.FAULTS.noise_mm
    assert np.sqrt(np.mean(height[intact] ** 2)) == pytest.approx(noise, rel=0.1)
    for spot in bench_repair.LOW_SPOTS:
        turn = np.mod(around - spot.around + 0.5, 1.0) - 0.5
        within = np.hypot(along - spot.along_mm, turn * bench_repair.TUBE.perimeter_mm()) < spot.radius_mm
        # noise is correlated over 2 mm: the mean over a spot as small as that is off by all of it
        found = height[within].mean() + bench_repair.DEPTH_MM
        assert found == pytest.approx(spot.height_mm, abs=3 * noise)


def test_machined_part_lies_askew(tmp_path):
    """The motion back leaves the noise alone on intact tube, and without it there is more."""
    height, along, _ = bench_heights("machined", tmp_path, edge_mm=1.0)
    intact = (along < 60.0) | (along > 200.0)
    assert np.sqrt(np.mean(height[intact] ** 2)) > 2 * bench_repair.FAULTS.noise_mm
    points = trimesh.load_mesh(tmp_path / "machined.stl", process=False).vertices.astype(float)
    corners = bench_repair.in_scanner(np.vstack([np.zeros(3), 100.0 * np.eye(3)]))
    moved = bench_repair.put_back(corners)
    turn = np.linalg.solve(corners[1:] - corners[0], moved[1:] - moved[0])
    back = np.linalg.solve(turn.T, (points - moved[0]).T).T + corners[0]
    assert np.sqrt(np.mean(truth_distance(tmp_path, back)[intact] ** 2)) == pytest.approx(
        bench_repair.FAULTS.noise_mm, rel=0.1
    )


def test_fixture_spheres_are_where_the_job_says(all_made):
    folder = all_made / bench_repair.NAME
    job = tomllib.loads((folder / "job.toml").read_text(encoding="utf-8"))
    points = trimesh.load_mesh(folder / "scan.stl", process=False).vertices
    for near, at in zip(job["frame"]["spheres"], job["frame"]["at"], strict=True):
        centre = bench_repair.in_scanner(np.array(at))
        assert np.linalg.norm(centre - near) < 1.0
        ball = np.linalg.norm(points - centre, axis=1)
        ball = ball[ball < bench_repair.SPHERE_RADIUS_MM + 0.5]
        assert len(ball) > 1000
        assert ball.mean() == pytest.approx(bench_repair.SPHERE_RADIUS_MM, abs=0.002)
