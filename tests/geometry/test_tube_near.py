"""What is taken of a scan near its damage, against loops and counts."""

import numpy as np
import pytest

import gaploft.tube.near as near
import plain_tube
from gaploft.job import Damage
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource

A, B = np.array([1.0, -2.0, 90.0]), np.array([0.5, 1.0, 140.0])


@pytest.fixture(scope="module")
def scan():
    source = ScanSource(file="tube.ply", sha256="", unit="mm", vertices=0, faces=0)
    return scan_from_arrays(*plain_tube.open_tube(n_u=61, n_v=40), mm_per_unit=1.0, source=source)


def test_distance_from_a_segment_against_a_fine_one(scan, monkeypatch):
    """No point of the segment is nearer, and one of a thousand is as near to within the spacing squared."""
    monkeypatch.setattr(near, "_PART", 100)
    found = near.distance_from_segment(scan.vertices_mm, A, B)
    on_segment = A + np.linspace(0.0, 1.0, 1001)[:, None] * (B - A)
    nearest = np.array([np.linalg.norm(on_segment - point, axis=1).min() for point in scan.vertices_mm])
    assert (found <= nearest + 1e-12).all()
    np.testing.assert_allclose(found, nearest, atol=np.linalg.norm(B - A) ** 2 / 1000**2)


def test_first_rings_are_looked_for_further_out_when_no_point_is_near(scan, monkeypatch):
    monkeypatch.setattr(near, "_PART", 100)
    assert near.seed_reach(scan, Damage(A, B)) == 90.0
    far = A + (500.0, 0.0, 0.0)
    nearest = np.linalg.norm(scan.vertices_mm - far, axis=1).min()
    assert near.seed_reach(scan, Damage(far, B)) == pytest.approx(2.5 * nearest, rel=1e-12)


def test_faces_are_kept_with_all_three_corners(scan):
    keep = scan.vertices_mm[:, 2] < 130.0
    part = near.scan_near(scan, keep)
    np.testing.assert_array_equal(part.points, scan.vertices_mm[keep])
    np.testing.assert_array_equal(part.normals, scan.normals[keep])
    expected = [face for face in scan.faces if keep[face].all()]
    np.testing.assert_array_equal(part.vertex[part.faces], expected)


def test_thinned_points_are_spread_evenly(scan, monkeypatch):
    """As many as asked for, and each ring of the tube gives its share: no row of a scan is preferred."""
    keep = np.ones(len(scan.vertices_mm), dtype=bool)
    assert len(near.sparse_points(scan, keep, 1.0).points) == len(keep)
    monkeypatch.setattr(near, "_MOST_NEARBY", len(keep) // 4)
    part = near.sparse_points(scan, keep, 1.0)
    assert len(part.points) == pytest.approx(len(keep) / 4, rel=0.05)
    assert part.edge_mm == pytest.approx(2.0)
    per_ring = np.bincount(part.vertex // 40, minlength=61)
    per_line = np.bincount(part.vertex % 40, minlength=40)
    assert (per_ring > 4).all()
    assert (per_ring < 17).all()
    assert (per_line > 8).all()
    assert (per_line < 23).all()
