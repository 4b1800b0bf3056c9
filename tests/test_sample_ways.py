"""The sample scenes with a donor: the spare section lies on the tube, the stays are opposite hands.

That both are made again byte for byte is held by ``test_sample_scenes.py``.
"""

import json
from pathlib import Path

import numpy as np
import pytest
import trimesh

import spare_section
import stay_pair
from bridge import bridged
from frame_tubes import ArcTube
from gaploft.job_file import read_job
from shaped_tube import ShapedTube
from truth import truth_distance

SHAPED = (spare_section.TUBE, stay_pair.LEFT)


@pytest.mark.parametrize("tube", SHAPED, ids=["down_tube", "stay"])
def test_shaped_tube_keeps_its_own_rules(tube):
    """Points raised along the normal are as far off; shares of a turn are arc lengths; Cauchy's perimeter."""
    rng = np.random.default_rng(7)
    along, around = rng.uniform(20.0, tube.length_mm - 20.0, 200), rng.random(200)
    height = rng.uniform(-2.0, 3.0, 200)
    points, normals = tube.evaluate(along, around)
    np.testing.assert_allclose(tube.distance(points + height[:, None] * normals), height, atol=1e-9)
    back_along, back_around, level = tube.unroll(points)
    np.testing.assert_allclose(back_along, along, atol=1e-9)
    np.testing.assert_allclose(back_around, around, atol=1e-9)
    np.testing.assert_allclose(level, 1.0, atol=1e-12)
    ring, _ = tube.evaluate(np.full(4000, tube.at_mm), np.arange(4000) / 4000)
    step = np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1)
    first = tube.radii_start_mm[0] + tube.radii_swell_mm[0]
    share = 0.5 - 0.5 * np.cos(np.pi * tube.at_mm / tube.length_mm)
    first += share * (tube.radii_end_mm[0] - tube.radii_start_mm[0])
    # a polygon of 4000 sides is shorter by some 1e-6 of it
    assert step.sum() == pytest.approx(2 * np.pi * first, rel=2e-6)
    assert np.ptp(step) < 1e-4 * step.mean()


def test_round_shaped_tube_is_the_arc_tube():
    shaped = ShapedTube((1, 2, 3), (0.2, 0.1, 1), (1, 0, 0), 100.0, (9.0,), (6.0,))
    arc = ArcTube((1, 2, 3), (0.2, 0.1, 1), (1, 0, 0), 100.0, (9.0, 9.0), (6.0, 6.0))
    along, around = np.linspace(0.0, 100.0, 50), np.linspace(0.0, 3.0, 50) % 1.0
    for one, other in zip(shaped.evaluate(along, around), arc.evaluate(along, around), strict=True):
        np.testing.assert_allclose(one, other, atol=1e-12)


def test_spare_section_lies_on_the_tube_under_its_own_paint(tmp_path):
    spare_section.write_spare(tmp_path, edge_mm=2.0)
    truth = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    spare = trimesh.load_mesh(tmp_path / "spare.stl", process=False).vertices.astype(float)
    points = spare_section.MM_PER_UNIT * spare @ np.array(truth["donor"]["turn"]).T
    points += truth["donor"]["shift_mm"]
    height = truth_distance(tmp_path, points)
    assert height.mean() == pytest.approx(spare_section.PAINT_MM, abs=2e-3)
    assert height.std() == pytest.approx(spare_section.SPARE_FAULTS.noise_mm, rel=0.1)
    along, _, _ = spare_section.TUBE.unroll((points - spare_section.SHIFT_MM) @ spare_section.TURN)
    # it shows the lost stretch and more than a diameter of both flanks
    assert along.min() < spare_section.GAP_MM[0] - 45.0
    assert along.max() > spare_section.GAP_MM[1] + 45.0


def test_broken_down_tube_has_lost_its_middle(tmp_path):
    spare_section.write_spare(tmp_path, edge_mm=2.0)
    points = trimesh.load_mesh(tmp_path / "scan.stl", process=False).vertices.astype(float)
    along, _, level = spare_section.TUBE.unroll((points - spare_section.SHIFT_MM) @ spare_section.TURN)
    low, high = spare_section.GAP_MM
    # debris floats within a centimetre of the surface that it came off, or less
    assert not ((along > low + 9.0) & (along < high - 9.0)).any()
    sound = ((along < low - 15.0) | (along > high + 15.0)) & (np.abs(level - 1.0) < 0.02)
    assert np.std(truth_distance(tmp_path, points[sound])) == pytest.approx(0.025, rel=0.15)


def test_bridge_joins_both_stays_in_one_closed_surface():
    rng = np.random.default_rng(8)
    tubes = (stay_pair.LEFT, stay_pair.RIGHT, stay_pair.bridge_tube())
    skin = bridged(*tubes, fillet_mm=stay_pair.FILLET_MM, edge_mm=1.5, rng=rng)
    edges = np.sort(skin.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    used, count = np.unique(edges, axis=0, return_counts=True)
    mesh = trimesh.Trimesh(skin.points, skin.faces, process=False)
    assert set(count) == {1, 2}
    assert mesh.body_count == 1
    assert mesh.is_winding_consistent
    # Euler's number of a sphere with the stays' four open ends
    assert len(skin.points) - len(used) + len(skin.faces) == 2 - 4
    for tube in tubes:
        along, _, level = tube.unroll(skin.points)
        within = (along > 0.0) & (along < tube.length_mm)
        # a fillet leaves its stay along a chord: 2.5 mm over the sway's tightest bend, some 400 mm
        assert (level[within].min() - 1.0) * 8.0 > -0.02


def test_stays_are_opposite_hands_of_each_other(tmp_path):
    stay_pair.write_pair(tmp_path, edge_mm=1.0)
    mirror = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))["mirror"]
    point, normal = np.array(mirror["point_mm"]), np.array(mirror["normal"])
    scan = trimesh.load_mesh(tmp_path / "scan.stl", process=False).vertices.astype(float)
    away = (scan - point) @ normal
    other = scan[away < -12.0]
    across = other - 2.0 * ((other - point) @ normal)[:, None] * normal
    along, _, _ = stay_pair.LEFT.unroll((across - point) @ stay_pair.TURN)
    height = truth_distance(tmp_path, across[(along > 80.0) & (along < 300.0)])
    # out of true by tenths, more at the far end: 300 mm times 0.0015 and 0.2 mm
    assert 0.05 < np.sqrt(np.mean(height**2)) < 0.5
    assert np.quantile(np.abs(height), 0.99) < 0.8
    left, _, _ = stay_pair.LEFT.unroll((scan[away > 12.0] - point) @ stay_pair.TURN)
    low, high = stay_pair.GAP_MM
    assert not ((left > low + 9.0) & (left < high - 9.0)).any()


def test_jobs_ask_for_the_donor_and_the_mirror():
    folder = Path(spare_section.__file__).parent
    spare = read_job(folder / spare_section.NAME / "job.toml")
    assert spare.donor == (folder / spare_section.NAME / "spare.stl", "cm")
    assert spare.job.ways.chosen == "donor"
    assert read_job(folder / stay_pair.NAME / "job.toml").job.ways.chosen == "mirror"
