"""Scans reflected in a plane: laws of a reflection, and which side is out."""

import numpy as np
import pytest

import plain_tube
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.mirrored import mirrored
from gaploft.scan.model import ScanSource
from gaploft.scan.normals import vertex_normals

SOURCE = ScanSource("tube.stl", "00" * 32, "cm", 10, 20)
PLANE = ((12.0, -40.0, 7.0), (0.3, -2.0, 0.9))


@pytest.fixture(scope="module")
def scan():
    """A tapered tube with a torn side and a vertex without a face: something to note, no symmetry."""
    vertices, faces = plain_tube.open_tube(n_u=31, n_v=24, taper=0.02)
    faces = faces[(vertices[faces, 0].mean(axis=1) < 8.0) | (vertices[faces, 2].mean(axis=1) < 120.0)]
    vertices = np.concatenate([vertices, [[900.0, 0.0, 0.0]]])
    return scan_from_arrays(vertices, faces, mm_per_unit=1.0, source=SOURCE)


def volume(vertices, faces):
    """Signed volume of a closed mesh, positive when its faces are anticlockwise from outside (Gauss)."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def block():
    """A closed box of 2 by 3 by 5 mm away from the origin."""
    corner = np.array([[x, y, z] for x in (0, 2) for y in (0, 3) for z in (0, 5)], dtype=float) + 4.0
    sides = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    faces = [triangle for a, b, c, d in sides for triangle in ((a, b, c), (a, c, d))]
    return scan_from_arrays(corner, np.array(faces), mm_per_unit=1.0, source=SOURCE)


def test_twice_is_the_scan_itself(scan):
    again = mirrored(mirrored(scan, *PLANE), *PLANE)
    size_mm = np.abs(scan.vertices_mm).max()
    np.testing.assert_allclose(again.vertices_mm, scan.vertices_mm, atol=1e-12 * size_mm)
    np.testing.assert_allclose(again.normals, scan.normals, atol=1e-14)
    np.testing.assert_array_equal(again.faces, scan.faces)


def test_points_change_sides_along_the_normal(scan):
    there = mirrored(scan, *PLANE).vertices_mm
    point, unit = np.array(PLANE[0]), np.array(PLANE[1]) / np.linalg.norm(PLANE[1])
    middle = (there + scan.vertices_mm) / 2.0
    np.testing.assert_allclose((middle - point) @ unit, 0.0, atol=1e-12 * 300.0)
    np.testing.assert_allclose(np.cross(there - scan.vertices_mm, unit), 0.0, atol=1e-12 * 300.0)


def test_outside_stays_outside(scan):
    solid = block()
    assert volume(solid.vertices_mm, solid.faces) == pytest.approx(30.0)
    other = mirrored(solid, *PLANE)
    assert volume(other.vertices_mm, other.faces) == pytest.approx(30.0)
    there = mirrored(scan, *PLANE)
    np.testing.assert_allclose(vertex_normals(there.vertices_mm, there.faces), there.normals, atol=1e-12)


def test_what_is_known_of_the_scan_goes_along_and_it_is_not_changed(scan):
    before = [getattr(scan, name).copy() for name in ("vertices_mm", "normals", "faces", "vertex_of_source")]
    there = mirrored(scan, *PLANE)
    assert there.source is scan.source
    assert scan.notes
    assert there.notes == scan.notes
    np.testing.assert_array_equal(there.vertex_of_source, scan.vertex_of_source)
    assert there.faces.dtype == scan.faces.dtype
    assert there.faces.flags.c_contiguous
    for name, old in zip(("vertices_mm", "normals", "faces", "vertex_of_source"), before, strict=True):
        np.testing.assert_array_equal(getattr(scan, name), old)
    there.vertices_mm[:] = 0.0
    np.testing.assert_array_equal(scan.vertices_mm, before[0])


@pytest.mark.parametrize("normal", [(0.0, 0.0, 0.0), (np.nan, 0.0, 1.0), (1.0, 0.0)])
def test_a_plane_needs_a_normal(scan, normal):
    with pytest.raises(ValueError, match="normal"):
        mirrored(scan, (0.0, 0.0, 0.0), normal)
