"""Hand changes of a cylinder patch whose areas and moves follow from how it was made."""

import numpy as np
import pytest

from gaploft.evidence.hand import SIZES_MM, hand_changes
from gaploft.evidence.hand_moves import moves, strayed
from gaploft.evidence.rim import rim_edges
from gaploft.evidence.verdict import SEAM_ANGLE_DEG, SEAM_STEP_MM

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
    assert (found.mean_mm, found.seam_angle_deg, found.seam_holds) == (0, 0, True)
    assert found.area_over == tuple((size, 0.0) for size in SIZES_MM)


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


def test_facets_that_shrank_to_nothing_are_counted():
    shift = STEP_MM * np.array([0, 0, 1.0])
    found = measure(lambda p, n: shift * sum(only(10, column) for column in range(N_V)))
    assert found.folded == N_V


@pytest.mark.parametrize(("ring", "share"), [(6, 1.0), (14, 1.0), (4, 1.0), (5, 1.0), (7, 0.0), (10, 0.0)])
def test_seam_angle_is_the_tilt_of_facets_beside_a_rim(ring, share):
    """A whole ring pushed outwards by h tilts the facets beside it by atan(h / step)."""
    height = 0.05
    found = measure(lambda p, n: height * n * sum(only(ring, column) for column in range(N_V)))
    # Facets are flat between two columns: their height is that of the chord.
    tilt = np.degrees(np.arctan(height * np.cos(np.pi / N_V) / STEP_MM))
    assert found.seam_angle_deg == pytest.approx(share * tilt, abs=1e-9)


@pytest.mark.parametrize("height", [0.9 * SEAM_STEP_MM, 1.1 * SEAM_STEP_MM])
def test_seam_holds_up_to_the_step_of_the_verdict(height):
    """A long bump: its step leaves the tolerance, its tilt of under 0.1 degrees does not."""

    def bump(points, normals):
        away = np.abs(points[:, 2] - 5 * STEP_MM) / (5 * STEP_MM)
        return height * normals * np.clip(1.0 - away, 0.0, None)[:, None]

    found = measure(bump)
    assert found.seam_angle_deg < 0.5 * SEAM_ANGLE_DEG
    assert found.seam_step_mm == pytest.approx(height, abs=1e-12)
    assert found.seam_holds == (height <= SEAM_STEP_MM)
    if not found.seam_holds:
        assert not found.sound


@pytest.mark.parametrize("angle_deg", [0.9 * SEAM_ANGLE_DEG, 1.1 * SEAM_ANGLE_DEG])
def test_seam_holds_up_to_the_angle_of_the_verdict(angle_deg):
    height = STEP_MM * np.tan(np.radians(angle_deg))
    found = measure(lambda p, n: height * n * sum(only(6, column) for column in range(N_V)))
    assert found.seam_step_mm == 0.0
    assert found.seam_holds == (angle_deg <= SEAM_ANGLE_DEG)


def test_what_the_computed_seam_had_is_added_when_the_hand_moves_there():
    def at(ring, **options):
        return measure(lambda p, n: 0.01 * n * only(ring), **options).seam_holds

    assert at(5)
    assert not at(5, seam=(SEAM_STEP_MM - 0.005, 0.0))
    assert not at(6, seam=(0.0, SEAM_ANGLE_DEG - 0.1))
    assert at(10, seam=(2 * SEAM_STEP_MM, 2 * SEAM_ANGLE_DEG)), (
        "the hand is not blamed for what it left alone"
    )


def test_areas_by_size_of_change():
    """Three rings moved by three sizes: each point stands for its share of the facets around it."""
    sizes = {8: 0.03, 10: -0.06, 12: 0.2}
    found = measure(
        lambda p, n: sum(h * n * only(ring, column) for ring, h in sizes.items() for column in range(N_V))
    )
    chord = 2 * RADIUS_MM * np.sin(np.pi / N_V)
    ring_area = N_V * chord * STEP_MM
    expected = {0.01: 3, 0.02: 3, 0.05: 2, 0.1: 1}
    assert [size for size, _ in found.area_over] == list(expected)
    for size, area in found.area_over:
        # The largest move tilts the facets by 0.1, which is 0.5 % of their area, and widens rings by 1.25 %.
        assert area == pytest.approx(expected[size] * ring_area, rel=0.02)
    assert found.mean_mm == pytest.approx(np.mean(np.abs(list(sizes.values()))), rel=0.02)


def test_sliding_has_no_size_along_the_normal():
    found = measure(lambda p, n: 0.5 * np.array([0, 0, 1.0]) * only(10))
    assert found.mean_mm == pytest.approx(0.0, abs=1e-12)
    assert found.area_over[0][1] == 0.0


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


def test_where_a_surface_ends_in_its_rebuilt_zone_is_a_rim():
    _, _, _, zone, quads = ring_mesh()
    assert set(np.unique(rim_edges(quads, np.ones_like(zone)) // N_V)) == {0, N_U - 1}
    assert len(rim_edges(quads, np.zeros_like(zone))) == 0


def test_rim_edges_agree_with_a_plain_loop():
    _, _, _, _, quads = ring_mesh()
    rebuilt = np.random.default_rng(7).random(N_U * N_V) < 0.8
    owners = {}
    for quad in quads:
        for a, b in zip(quad, np.roll(quad, -1), strict=True):
            owners.setdefault((min(a, b), max(a, b)), []).append(all(rebuilt[quad]))
    expected = sorted(edge for edge, kinds in owners.items() if len(set(kinds)) == 2 or kinds == [True])
    assert [tuple(edge) for edge in rim_edges(quads, rebuilt)] == expected


def test_arrays_that_do_not_match_are_a_bug():
    points, normals, band, zone, quads = ring_mesh()
    with pytest.raises(ValueError, match="do not match"):
        hand_changes(points, points[:-1], normals, band, zone, quads)
    with pytest.raises(ValueError, match="one value for each"):
        hand_changes(points, points, normals, band[:-1], zone, quads)
    with pytest.raises(ValueError, match="four corners"):
        hand_changes(points, points, normals, band, zone, quads[:, :2])


def test_strayed_are_those_off_their_band_and_whatever_moved_on_the_overlap():
    points, normals, band, zone, _ = ring_mesh()
    change = 0.05 * only(10) + 0.02 * only(11) + 0.001 * only(2)
    found = strayed(moves(points, points + change * normals, normals), band, zone)
    assert set(np.flatnonzero(found)) == {10 * N_V, 2 * N_V}
