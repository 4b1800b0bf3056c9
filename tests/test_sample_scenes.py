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


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.name)
def test_full_scene_is_the_stored_one(scene, tmp_path):
    subprocess.run([sys.executable, FOLDER / "make_scenes.py", "--out", tmp_path], check=True)
    for name in ("expected.json", "job.toml", "truth.json"):
        made, stored = tmp_path / scene.name / name, FOLDER / scene.name / name
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
