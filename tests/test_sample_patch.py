"""The sample scene of a damaged junction: its truth is one, its scan is what it says, its patch holds."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.optimize import minimize

import stay_junction
from gaploft.job_file import read_job
from irregular import vertex_normals
from rolled_joint import rolled
from truth import truth_distance

JOINT, NOISE_MM = stay_junction.JOINT, stay_junction.FAULTS.noise_mm
STORED = Path(stay_junction.__file__).parent / stay_junction.NAME


@pytest.fixture(scope="module")
def skin():
    rng = np.random.default_rng(3)
    return rolled(JOINT, stay_junction.MAIN_MM, stay_junction.BRANCH_MM, edge_mm=1.2, rng=rng)


@pytest.fixture(scope="module")
def coarse(tmp_path_factory):
    folder = tmp_path_factory.mktemp("junction")
    told = stay_junction.write_junction(folder, edge_mm=1.0)
    scan = trimesh.load_mesh(folder / "scan.stl", process=False).vertices.astype(float)
    return folder, told, scan, (scan - stay_junction.SHIFT_MM) @ stay_junction.TURN


def off_tubes(point):
    """Distances of a point from the surfaces of both tubes, by their axes alone."""
    axis = np.array(JOINT.direction) / np.linalg.norm(JOINT.direction)
    aside = np.linalg.norm(np.cross(point, axis))
    return np.array([np.hypot(*point[:2]) - JOINT.main_radius_mm, aside - JOINT.branch_radius_mm])


def by_balls(point, start):
    """Signed distance from all places that balls of the fillet's radius can't reach.

    That is the closing of a solid by a ball (J. Serra, "Image Analysis and Mathematical Morphology", 1982,
    from memory). The nearest of all places where a ball fits is sought by a general solver from a few starts.
    """
    radius = JOINT.fillet_mm
    fits = {"type": "ineq", "fun": lambda centre: off_tubes(centre) - radius}
    around = start + np.concatenate([np.zeros((1, 3)), 2.0 * np.eye(3)])
    found = [
        minimize(lambda centre: np.sum((centre - point) ** 2), at, constraints=fits, options={"ftol": 1e-11})
        for at in around
    ]
    return radius - np.sqrt(min(one.fun for one in found if one.success))


def test_joint_is_the_two_tubes_closed_by_a_ball(skin):
    """On the tubes, on the fillet and at its borders, up to 2 mm off the skin to both sides."""
    rng = np.random.default_rng(4)
    # on the branch's side: the oracle's axes have no ends
    near = np.flatnonzero((np.linalg.norm(skin.points, axis=1) < 29.0) & (skin.points[:, 0] > 5.0))
    both = np.array([off_tubes(point) for point in skin.points[near]])
    fillet = (both > 1e-6).all(axis=1)
    chosen = np.concatenate([rng.choice(near[fillet], 20), rng.choice(near[~fillet], 20)])
    _, normal = JOINT.closest(skin.points[chosen])
    points = skin.points[chosen] + rng.uniform(-2.0, 2.0, (40, 1)) * normal
    starts = skin.points[chosen] + (JOINT.fillet_mm + 1.0) * normal
    plain = [by_balls(point, start) for point, start in zip(points, starts, strict=True)]
    np.testing.assert_allclose(JOINT.distance(points), plain, atol=1e-5)


def test_distance_grows_as_points_leave_the_skin(skin):
    height = np.random.default_rng(5).uniform(-3.0, 3.0, len(skin.points))
    _, normal = JOINT.closest(skin.points)
    np.testing.assert_allclose(
        JOINT.distance(skin.points + height[:, None] * normal), height, atol=1e-8 * JOINT.main_radius_mm
    )


def test_skin_is_one_closed_surface_on_the_joint(skin):
    assert np.abs(JOINT.distance(skin.points)).max() < 1e-12 * stay_junction.BRANCH_MM
    edges = np.sort(skin.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    used, count = np.unique(edges, axis=0, return_counts=True)
    mesh = trimesh.Trimesh(skin.points, skin.faces, process=False)
    assert set(count) == {1, 2}
    assert mesh.body_count == 1
    assert mesh.is_winding_consistent
    # Euler's number of a sphere with three open ends
    assert len(skin.points) - len(used) + len(skin.faces) == 2 - 3
    _, normal = JOINT.closest(skin.points)
    # an edge of three times the mean on the tightest bend, the fillet's, is a chord over so much of a turn
    limit = np.cos(0.5 * 3.0 * 1.2 / JOINT.fillet_mm)
    assert np.sum(vertex_normals(skin.points, skin.faces) * normal, axis=1).min() > limit


def test_scan_carries_the_noise_and_the_damage_that_it_says(coarse):
    folder, _, scan, here = coarse
    away = np.linalg.norm(here - stay_junction.middle(), axis=1)
    height = truth_distance(folder, scan)
    beyond = stay_junction.HALF_MM + stay_junction.FAULTS.rim_mm
    sound = (away > beyond) & (np.abs(height) < 1.0)  # debris floats
    assert np.sqrt(np.mean(height[sound] ** 2)) == pytest.approx(NOISE_MM, rel=0.15)
    assert not (away < 0.35 * stay_junction.HALF_MM - stay_junction.FAULTS.ragged_mm).any()
    rim = (away > stay_junction.HALF_MM) & (away < stay_junction.HALF_MM + 2.0)
    assert np.abs(height[rim]).max() > 0.25 * stay_junction.FAULTS.rim_depth_mm > 5 * NOISE_MM


def test_damage_lies_across_the_fillet_within_the_outline(coarse):
    folder, _, scan, here = coarse
    patch = read_job(folder / "job.toml").job.patch
    assert patch.use == "always"
    (drawn,) = patch.outlines_mm
    # coordinates of a job are rounded to 0.1 mm
    assert np.abs(truth_distance(folder, drawn)).max() < 0.1
    places = (drawn - stay_junction.SHIFT_MM) @ stay_junction.TURN
    away = np.linalg.norm(places - stay_junction.middle(), axis=1)
    np.testing.assert_allclose(away, stay_junction.HALF_MM + 1.0, atol=0.1)
    nearest = np.argmin([np.abs(off_tubes(place)) for place in places], axis=1)
    assert 5 < nearest.sum() < len(places) - 5
    wreck = np.linalg.norm(here - stay_junction.middle(), axis=1) < stay_junction.HALF_MM - 2.0
    assert np.sqrt(np.mean(truth_distance(folder, scan[wreck]) ** 2)) > 0.5


def test_same_bytes_twice(coarse, tmp_path):
    folder, told, *_ = coarse
    assert stay_junction.write_junction(tmp_path, edge_mm=1.0) == told
    for file in folder.iterdir():
        assert file.read_bytes() == (tmp_path / file.name).read_bytes(), file.name


@pytest.mark.slow
def test_patch_keeps_within_the_bounds(tmp_path):
    """The whole job on the full scan, against the original surface."""
    expected = stay_junction.write_junction(tmp_path)
    stored = json.loads((STORED / "expected.json").read_text(encoding="utf-8"))
    assert expected == stored
    out = tmp_path / "out"
    command = [sys.executable, "-m", "gaploft", "rebuild", tmp_path / "job.toml", "--out", out]
    subprocess.run(command, check=True)
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert report["patch"]["kind"] == "tubes"
    (fillet,) = report["patch"]["fillets"]
    assert fillet["radius_mm"] == pytest.approx(JOINT.fillet_mm, abs=0.15)
    assert 0.5 <= fillet["odds"] <= 1.0
    error, band, area = rebuilt_zone(out, tmp_path)
    bounds = expected["bounds"]
    assert np.sqrt(np.sum(area * error**2) / area.sum()) < bounds["rms_mm"]
    assert np.abs(error).max() < bounds["max_mm"]
    assert area[np.abs(error) <= band].sum() / area.sum() > bounds["least_in_band95"]


def rebuilt_zone(out, scene):
    """Error against the truth, band and area of each vertex of the rebuilt zone."""
    target = trimesh.load_mesh(out / "target.ply", process=False)
    told = target.metadata["_ply_raw"]["vertex"]["data"]
    area = np.zeros(len(target.vertices))
    np.add.at(area, target.faces, target.area_faces[:, None] / 3.0)
    rebuilt = told["zone"] == 1
    return truth_distance(scene, target.vertices)[rebuilt], told["band95"][rebuilt], area[rebuilt]
