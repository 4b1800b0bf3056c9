"""The truth used by other tests, held against the CAD kernel's own answers."""

import numpy as np
import pytest
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakeVertex
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.gp import gp_Pnt

from lofted import KINDS, broken_tube, lofted_tube


def kernel_distance(surface, points):
    """Unsigned distances by the kernel's own minimum distance between shapes, one point at a time."""
    face = BRepBuilderAPI_MakeFace(surface.kernel, 1e-7).Face()
    found = []
    for point in points:
        vertex = BRepBuilderAPI_MakeVertex(gp_Pnt(*map(float, point))).Vertex()
        found.append(BRepExtrema_DistShapeShape(vertex, face).Value())
    return np.array(found)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_distance_agrees_with_the_kernel(kind):
    tube = lofted_tube(kind)
    rng = np.random.default_rng(4)
    along, around = rng.uniform(5.0, 295.0, 12), rng.random(12)
    points, normals = tube.evaluate(along, around)
    height = rng.uniform(-1.5, 3.0, 12)
    points = points + height[:, None] * normals
    ours = tube.distance(points)
    np.testing.assert_allclose(np.abs(ours), kernel_distance(tube.surface, points), atol=1e-6)
    # within the smallest radius of a section, 3 mm, the foot point is where we started
    np.testing.assert_allclose(ours, height, atol=1e-6)


@pytest.mark.parametrize("kind", ["tight_stay", "aerofoil"])
def test_evaluation_is_the_kernels(kind):
    surface = lofted_tube(kind).surface
    rng = np.random.default_rng(5)
    t, w = rng.random(40), rng.random(40)
    kernel = np.array([surface.kernel.Value(float(a), float(b)).Coord() for a, b in zip(t, w, strict=True)])
    np.testing.assert_allclose(surface.at(t, w), kernel, atol=1e-6)


def test_round_tube_is_the_closed_form():
    tube = lofted_tube("round")
    points = np.array([[17.0, 0.0, 100.0], [0.0, 15.5, 150.0], [-20.0, 0.0, 200.0]])
    # a cubic through 96 points of a circle leaves about r (2 pi / 96)^4 / 384 = 8e-7 mm
    np.testing.assert_allclose(tube.distance(points), [1.0, -0.5, 4.0], atol=5e-6)


def test_tapered_tube_is_a_cone():
    tube = lofted_tube("tapered")
    rng = np.random.default_rng(10)
    along, turn = rng.uniform(20.0, 280.0, 50), rng.uniform(0, 2 * np.pi, 50)
    height, slope = rng.uniform(-4.0, 4.0, 50), (20.0 - 14.0) / 300.0
    radius = 20.0 - slope * along + height
    points = np.stack([radius * np.cos(turn), radius * np.sin(turn), along], axis=1)
    closed_form = height / np.hypot(1.0, slope)
    # sections are read off polygons of 4000 corners: sagitta 20 (2 pi / 4000)^2 / 8 = 6e-6, and as above
    np.testing.assert_allclose(tube.distance(points), closed_form, atol=3e-5)


def test_clean_scan_has_the_noise_asked_for_and_nothing_in_the_gap():
    case = broken_tube("round", 40.0, seed=3, noise_mm=0.03, edge_mm=1.0)
    error = case.truth_error(case.vertices)
    # all vertices carry exactly 0.03; those cut away with the gap leave a sampling error
    assert np.sqrt(np.mean(error**2)) == pytest.approx(0.03, rel=0.05)
    assert not case.in_gap(case.vertices).any()
    assert np.linalg.norm(case.to_mm - case.from_mm) == pytest.approx(40.0, abs=0.01)


def test_faces_are_irregular_and_turn_outwards():
    case = broken_tube("tapered", 40.0, seed=6, edge_mm=1.2)
    corner = case.vertices[case.faces]
    edge = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2)
    assert 0.6 < np.quantile(edge, 0.1) / 1.2 < np.quantile(edge, 0.9) / 1.2 < 1.5
    face_normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    outward = np.sum(face_normal * case.truth_normals(corner.mean(axis=1)), axis=1)
    assert np.mean(outward > 0) > 0.999


def test_crushed_rim_sinks_only_near_the_rim():
    faults = {"noise_mm": 0.001, "edge_mm": 1.2, "rim": "crushed", "rim_mm": 6.0, "rim_depth_mm": 0.8}
    case = broken_tube("oval", 40.0, seed=7, **faults)
    error = case.truth_error(case.vertices)
    along = case.tube.along(case.to_tube(case.vertices))
    away = np.maximum(case.gap_mm[0] - along, along - case.gap_mm[1])
    assert error.min() < -0.3
    assert np.abs(error[away > 6.0 + case.faults.ragged_mm + 0.1]).max() < 0.01


def test_displaced_half_leaves_the_near_half_on_the_truth():
    faults = {"noise_mm": 0.001, "edge_mm": 1.2, "offset_mm": 0.4, "angle_deg": 0.3, "twist_deg": 0.5}
    case = broken_tube("round", 40.0, seed=8, **faults)
    along = case.tube.along(case.to_tube(case.vertices))
    error = np.abs(case.truth_error(case.vertices))
    assert error[along < case.gap_mm[0]].max() < 0.01
    assert error[along > case.gap_mm[1]].max() > 0.4


def test_same_seed_same_scan():
    faults = {"edge_mm": 1.2, "rim": "mixed", "holes": 2, "clumps": 2, "bosses": 1, "closed_end": True}
    first = broken_tube("stay", 20.0, seed=9, **faults)
    second = broken_tube("stay", 20.0, seed=9, **faults)
    assert first.vertices.tobytes() == second.vertices.tobytes()
    assert first.faces.tobytes() == second.faces.tobytes()
