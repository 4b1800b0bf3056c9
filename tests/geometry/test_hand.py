"""Hand changes of a cylinder patch whose areas and moves follow from how it was made."""

import numpy as np
import pytest

from gaploft.evidence.hand import hand_changes, rim_edges

N_U, N_V, RADIUS_MM, STEP_MM, BAND_MM = 21, 48, 16.0, 2.0, 0.03


def ring_mesh():
    """A closed cylinder of ``N_U`` rings; rings 5 to 15 are the rebuilt zone."""
    u, v = np.meshgrid(np.arange(N_U), 2 * np.pi * np.arange(N_V) / N_V, indexing="ij")
    normals = np.stack([np.cos(v), np.sin(v), 0 * v], axis=2).reshape(-1, 3)
    points = RADIUS_MM * normals + np.outer(u.ravel() * STEP_MM, [0, 0, 1])
    i, j = (a.ravel() for a in np.meshgrid(np.arange(N_U - 1), np.arange(N_V), indexing="ij"))
    k = (j + 1) % N_V
    quads = np.column_stack([i * N_V + j, i * N_V + k, (i + 1) * N_V + k, (i + 1) * N_V + j])
    zone = ((u >= 5) & (u <= 15)).astype(int).ravel()
    return points, normals, np.full(len(points), BAND_MM), zone, quads


def measure(change, **options):
    points, normals, band, zone, quads = ring_mesh()
    return hand_changes(points, points + change(points, normals), normals, band, zone, quads, **options)


def only(ring, column=0):
    flags = np.zeros(N_U * N_V)
    flags[ring * N_V + column] = 1.0
    return flags[:, None]


def test_untouched_surface_has_no_changes():
    found = measure(lambda p, n: 0 * p)
    assert not found.changed
    assert found.sound
    assert (found.largest_mm, found.area_mm2, found.share, found.seam_step_mm) == (0, 0, 0, 0)


def test_rounding_to_single_precision_is_no_change():
    found = measure(lambda p, n: p.astype(np.float32).astype(np.float64) - p)
    assert not found.changed


def test_one_point_inside_its_band():
    found = measure(lambda p, n: 0.02 * n * only(10))
    assert found.moved_points == 1
    assert found.sound
    assert found.largest_mm == pytest.approx(0.02, abs=1e-12)
    assert found.normal_mm == pytest.approx((0.0, 0.02), abs=1e-12)
    # Four facets, each STEP_MM by one chord of the ring; 0.02 mm tilt changes the area by less than 1e-3.
    chord = 2 * RADIUS_MM * np.sin(np.pi / N_V)
    assert found.area_mm2 == pytest.approx(4 * STEP_MM * chord, rel=1e-3)
    assert found.share == pytest.approx(4 / ((N_U - 1) * N_V), rel=1e-3)


def test_leaving_the_band_is_told():
    found = measure(lambda p, n: -0.05 * n * only(10))
    assert found.outside_band == 1
    assert found.beyond_band_mm == pytest.approx(0.05 - BAND_MM, abs=1e-12)
    assert found.normal_mm[0] == pytest.approx(-0.05, abs=1e-12)
    assert not found.sound


def test_sliding_along_the_surface_stays_in_the_band():
    found = measure(lambda p, n: 0.5 * np.array([0, 0, 1.0]) * only(10))
    assert found.largest_mm == pytest.approx(0.5, abs=1e-12)
    assert found.outside_band == 0


@pytest.mark.parametrize(
    ("ring", "seam", "overlap"), [(5, 0.01, 0.0), (15, 0.01, 0.0), (4, 0.0, 0.01), (8, 0.0, 0.0)]
)
def test_seam_step_is_measured_on_the_rims(ring, seam, overlap):
    found = measure(lambda p, n: 0.01 * n * only(ring))
    assert found.seam_step_mm == pytest.approx(seam, abs=1e-12)
    assert found.overlap_mm == pytest.approx(overlap, abs=1e-12)


def test_turned_facets_are_counted():
    found = measure(lambda p, n: 3 * STEP_MM * np.array([0, 0, 1.0]) * only(10))
    assert found.folded > 0
    assert not found.sound


def test_moves_agree_with_a_plain_loop():
    points, normals, band, zone, quads = ring_mesh()
    change = np.random.default_rng(2).normal(0, 0.02, points.shape)
    found = hand_changes(points, points + change, normals, band, zone, quads)
    outside, largest, lowest = 0, 0.0, 0.0
    for d, n, b, z in zip(change, normals, band, zone, strict=True):
        outward = sum(d * n)
        outside += z == 1 and abs(outward) > b
        largest, lowest = max(largest, sum(d * d) ** 0.5), min(lowest, outward)
    assert found.outside_band == outside
    assert (found.largest_mm, found.normal_mm[0]) == pytest.approx((largest, lowest), abs=1e-12)


def test_rigid_motion_changes_nothing_in_the_figures():
    points, normals, band, zone, quads = ring_mesh()
    turn, _ = np.linalg.qr(np.random.default_rng(4).normal(size=(3, 3)))
    turn *= np.sign(np.linalg.det(turn))
    change = 0.04 * normals * only(7)
    base = hand_changes(points, points + change, normals, band, zone, quads, still_mm=1e-6)
    moved = hand_changes(
        points @ turn.T + 50,
        (points + change) @ turn.T + 50,
        normals @ turn.T,
        band,
        zone,
        quads,
        still_mm=1e-6,
    )
    assert moved.outside_band == base.outside_band == 1
    assert moved.area_mm2 == pytest.approx(base.area_mm2, rel=1e-9)
    assert moved.largest_mm == pytest.approx(base.largest_mm, abs=1e-9)


def test_rim_edges_are_the_two_rings():
    _, _, _, zone, quads = ring_mesh()
    edges = rim_edges(quads, zone == 1)
    assert len(edges) == 2 * N_V
    assert set(np.unique(edges // N_V)) == {5, 15}


def test_arrays_that_do_not_match_are_a_bug():
    points, normals, band, zone, quads = ring_mesh()
    with pytest.raises(ValueError, match="do not match"):
        hand_changes(points, points[:-1], normals, band, zone, quads)
    with pytest.raises(ValueError, match="one value for each"):
        hand_changes(points, points, normals, band[:-1], zone, quads)
