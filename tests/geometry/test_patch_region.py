"""The scan around damage: what is trusted, its loops, the ground over it, and every refusal."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.spatial import ConvexHull, cKDTree
from scipy.spatial.transform import Rotation

from gaploft.errors import InputError
from gaploft.patch.ground import faired, make_ground
from gaploft.patch.loops import border_loops, open_edges, pinched
from gaploft.patch.region import cut_out, way_from
from patch_shapes import areas, assert_manifold, euler, rolled, sheet
from plain_tube import open_tube


def flat(step=1.0, width=60.0):
    points, faces = sheet(width, width, step)
    return points, faces, np.tile([0.0, 0.0, 1.0], (len(points), 1)), np.hypot(*points[:, :2].T)


def without(points, faces, normals, lost):
    """The mesh without the faces of some vertices; the vertices stay."""
    return points, faces[~lost[faces].any(axis=1)], normals


def signed(points, loop):
    x, y = points[loop, :2].T
    return 0.5 * float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())


# The region


def test_ways_are_no_shorter_than_straight_and_no_longer_than_edges_make_them():
    points, faces, _, away = flat()
    way = way_from(points, faces, away < 5.0, 20.0)
    straight = cKDTree(points[away < 5.0]).query(points)[0]
    reached = np.isfinite(way)
    assert (way[reached] >= straight[reached] - 1e-9).all()
    # Edges of even triangles go up to 2/sqrt(3) of the way round, and uneven ones some more.
    assert (way[reached] <= 1.2 * straight[reached] + 0.5).all()
    assert reached[straight < 15.0].all()
    assert not np.isfinite(way[straight > 20.0]).any()
    assert not np.isfinite(way_from(points, faces, away < -1.0, 20.0)).any()


@pytest.mark.parametrize("hole", [0.0, 4.0])
def test_a_round_damage_leaves_a_ring(hole):
    points, faces, normals, away = flat()
    damaged = away < 8.0
    region = cut_out(*without(points, faces, normals, away < hole), damaged, 15.0)
    assert_manifold(region.faces)
    assert euler(region.faces) == 0
    ((loop,),) = region.outline
    assert region.holes == ()
    radius = np.hypot(*region.points[loop, :2].T)
    assert (radius >= 8.0).all()
    assert (radius < 8.0 + 2.5).all()
    # The damage is on the loop's right: clockwise about it.
    assert signed(region.points, loop) == pytest.approx(-np.pi * 8.7**2, rel=0.1)
    assert (region.away_mm <= 15.0).all()
    assert (region.away_mm > 0.0).all()
    assert areas(region.points, region.faces).sum() == pytest.approx(np.pi * (21.5**2 - 8.7**2), rel=0.08)


def test_the_region_keeps_places_and_normals():
    points, faces, normals = rolled(30.0, 60.0, 60.0)
    region = cut_out(points, faces, normals, np.linalg.norm(points, axis=1) < 7.0, 12.0)
    away, at = cKDTree(points).query(region.points)
    assert (away == 0.0).all()
    assert_array_equal(region.normals, normals[at])


def test_rigid_motion_and_order_of_points_change_nothing():
    points, faces, normals, away = flat()
    damaged = (away < 8.0) | (np.hypot(points[:, 0] - 8.0, points[:, 1]) < 5.0)
    first = cut_out(points, faces, normals, damaged, 15.0)
    turn = Rotation.from_rotvec([0.4, -0.9, 0.2])
    order = np.random.default_rng(1).permutation(len(points))
    place = np.argsort(order)
    again = cut_out(
        turn.apply(points[order]) + [4.0, 5.0, -60.0],
        place[faces].astype(np.int32),
        turn.apply(normals[order]),
        damaged[order],
        15.0,
    )
    assert len(again.points) == len(first.points)
    assert len(again.faces) == len(first.faces)
    back = turn.inv().apply(again.points - [4.0, 5.0, -60.0])
    away, at = cKDTree(first.points).query(back)
    assert away.max() < 1e-9
    assert_allclose(again.away_mm, first.away_mm[at], atol=1e-9)
    assert set(at[again.outline[0][0]]) == set(first.outline[0][0])


def test_an_island_gives_two_loops_of_one_patch():
    points, faces, normals, away = flat()
    region = cut_out(points, faces, normals, (away > 5.0) & (away < 11.0), 12.0)
    ((one, two),) = region.outline
    inner, outer = sorted((one, two), key=lambda loop: np.hypot(*region.points[loop, :2].T).max())
    assert np.hypot(*region.points[inner, :2].T).max() <= 5.0
    assert np.hypot(*region.points[outer, :2].T).min() >= 11.0
    assert signed(region.points, inner) > 0.0 > signed(region.points, outer)


def test_an_island_counts_however_large_the_scan_around_it_is():
    """6 mm in radius, within 100 mm of scan: less than 2 % of it, and intact all the same."""
    points, faces, normals, away = flat(width=100.0)
    region = cut_out(points, faces, normals, (away > 6.0) & (away < 11.0), 35.0)
    ((one, two),) = region.outline
    assert min(np.hypot(*region.points[loop, :2].T).max() for loop in (one, two)) <= 6.0


def test_two_damages_on_one_scan_are_two_patches():
    points, faces, normals, _ = flat()
    left, right = (np.hypot(points[:, 0] - x, points[:, 1]) for x in (-12.0, 12.0))
    region = cut_out(points, faces, normals, (left < 6.0) | (right < 6.0), 12.0)
    assert [len(loops) for loops in region.outline] == [1, 1]
    middle = sorted(float(region.points[loop, 0].mean()) for (loop,) in region.outline)
    assert middle == pytest.approx([-12.0, 12.0], abs=0.7)


def test_a_ring_around_a_tube_gives_two_loops_of_one_patch():
    points, faces = open_tube(radius=10.0, length=80.0, n_u=81, n_v=64)
    normals = points / 10.0 * [1.0, 1.0, 0.0]
    damaged = np.abs(points[:, 2] - 40.0) < 5.0
    region = cut_out(points, faces.astype(np.int32), normals, damaged, 15.0)
    ((one, two),) = region.outline
    assert sorted(np.unique(region.points[np.concatenate([one, two]), 2])) == [35.0, 45.0]


def test_a_small_hole_beside_the_damage_is_told():
    points, faces, normals, away = flat()
    beside = np.hypot(points[:, 0] - 14.0, points[:, 1]) < 2.5
    region = cut_out(*without(points, faces, normals, beside), away < 6.0, 18.0)
    ((outline,),) = region.outline
    (hole,) = region.holes
    assert np.hypot(*region.points[outline, :2].T).max() < 9.0
    assert (np.hypot(region.points[hole, 0] - 14.0, region.points[hole, 1]) < 5.0).all()


def test_loose_bits_are_no_part_of_it():
    points, faces, normals, away = flat()
    bit = np.array([[9.0, 0.0, 3.0], [10.0, 0.0, 3.0], [9.0, 1.0, 3.0]])
    n = len(points)
    damaged = np.append(away < 8.0, [False] * 3)
    region = cut_out(
        np.concatenate([points, bit]),
        np.concatenate([faces, [[n, n + 1, n + 2]]]).astype(np.int32),
        np.concatenate([normals, np.tile([0.0, 0, 1], (3, 1))]),
        damaged,
        15.0,
    )
    assert region.points[:, 2].max() == 0.0


def test_a_scan_that_would_hang_by_one_vertex_is_cut_back():
    """Damage from two sides up to one vertex: what is left above and below meets in it."""
    points, faces, normals, away = flat()
    middle = int(away.argmin())
    x, y = (points - points[middle])[:, :2].T
    around = np.setdiff1d(faces[(faces == middle).any(axis=1)], middle)
    nearest = [around[np.argmax(side * x[around])] for side in (1.0, -1.0)]
    damaged = (np.abs(np.abs(x) - 6.0) < 4.0) & (np.abs(y) < 2.5)
    damaged[nearest] = True
    kept = faces[~damaged[faces].any(axis=1)]
    assert len(pinched(kept, len(points))) > 0
    region = cut_out(points, faces, normals, damaged, 12.0)
    assert len(pinched(region.faces, len(region.points))) == 0
    assert_manifold(region.faces)
    # All that is lost of it is the vertices where it hung, and the faces around them.
    lost = areas(points, kept[(away < 9.0)[kept].all(axis=1)]).sum()
    left = np.hypot(*region.points[:, :2].T) < 9.0
    assert areas(region.points, region.faces[left[region.faces].all(axis=1)]).sum() > 0.6 * lost


def test_damage_everywhere_is_refused():
    points, faces, normals, away = flat()
    with pytest.raises(InputError, match="no trusted scan is left"):
        cut_out(points, faces, normals, away < 100.0, 15.0)


@pytest.mark.parametrize("reach", [15.0, 25.0])
def test_damage_that_reaches_the_end_of_the_scan_is_refused(reach):
    points, faces, normals, _ = flat()
    side = np.abs(points[:, 1]) < 6.0
    with pytest.raises(InputError, match="outline of the damage is open"):
        cut_out(points, faces, normals, side & (points[:, 0] > 15.0), reach)


def test_a_mark_on_loose_vertices_has_no_outline():
    points, faces, normals, _ = flat()
    more = np.concatenate([points, [[0.0, 0.0, 1.0]]])
    damaged = np.append(np.zeros(len(points), bool), True)
    with pytest.raises(InputError, match="no outline"):
        cut_out(more, faces, np.concatenate([normals, [[0.0, 0, 1]]]), damaged, 15.0)


# The ground


@pytest.mark.parametrize("hole", [False, True])
def test_the_ground_covers_the_damage(hole):
    points, faces, normals, away = flat(0.8)
    lost = away < (5.0 if hole else -1.0)
    region = cut_out(*without(points, faces, normals, lost), away < 8.0, 15.0)
    ground = make_ground(region, 1.5)
    assert_manifold(ground.faces)
    assert euler(ground.faces) == 1
    assert len(border_loops(ground.faces, len(ground.points))) == 1
    assert_allclose(ground.points[:, 2], 0.0, atol=1e-9)
    assert_allclose(ground.normals, np.tile([0.0, 0.0, 1.0], (len(ground.points), 1)), atol=1e-9)
    ((loop,),) = region.outline
    whole = areas(region.points, region.faces).sum() - signed(region.points, loop)
    assert ground.areas.sum() == pytest.approx(whole, rel=1e-9)
    # The share that is lost is that of what was filled.
    assert ground.areas @ ground.lost == pytest.approx(-signed(region.points, loop), rel=1e-9)
    radius = np.hypot(*ground.points[:, :2].T)
    assert_allclose(ground.lost[radius < 6.5], 1.0, atol=1e-12)
    assert_allclose(ground.lost[radius > 12.0], 0.0, atol=1e-12)
    assert ground.lost.min() >= 0.0
    assert ground.lost.max() <= 1.0 + 1e-12


@pytest.mark.parametrize(("half", "waist"), [(4.0, 0.5), (9.0, 1.5)])
def test_the_ground_of_a_ring_around_a_tube_is_a_tube(half, waist):
    """Fairing of second order waists a tube by some tenths, and by a mm; a capped end would be off by 10."""
    points, faces = open_tube(radius=10.0, length=80.0, n_u=81, n_v=64)
    normals = points / 10.0 * [1.0, 1.0, 0.0]
    region = cut_out(points, faces.astype(np.int32), normals, np.abs(points[:, 2] - 40.0) < half, 15.0)
    ground = make_ground(region, 2.0)
    assert_manifold(ground.faces)
    assert euler(ground.faces) == 0
    radius = np.hypot(*ground.points[:, :2].T)
    assert_allclose(radius, 10.0, atol=waist)
    assert (np.einsum("ij,ij->i", ground.normals[:, :2], ground.points[:, :2]) > 7.0).all()


def test_a_hole_beside_the_damage_is_filled_and_lost():
    points, faces, normals, away = flat(0.8)
    beside = np.hypot(points[:, 0] - 14.0, points[:, 1])
    region = cut_out(*without(points, faces, normals, beside < 3.0), away < 6.0, 18.0)
    ground = make_ground(region, 1.5)
    assert euler(ground.faces) == 1
    at_hole = np.hypot(ground.points[:, 0] - 14.0, ground.points[:, 1]) < 1.5
    assert at_hole.any()
    assert_allclose(ground.lost[at_hole], 1.0, atol=1e-12)


def test_the_ground_lies_on_what_is_known_beforehand():
    points, faces, normals = rolled(20.0, 60.0, 60.0, 0.8)
    region = cut_out(points, faces, normals, np.linalg.norm(points, axis=1) < 8.0, 15.0)

    def onto(places):
        axis = places * [0.0, 1.0, 0.0] + [0.0, 0.0, -20.0]
        off = places - axis
        return axis + 20.0 * off / np.linalg.norm(off, axis=1, keepdims=True)

    ground = make_ground(region, 1.5, onto)
    radius = np.hypot(ground.points[:, 0], ground.points[:, 2] + 20.0)
    # Nodes are means of points within a spacing: they lie a sagitta inside of the round.
    assert radius.max() <= 20.0 + 1e-9
    assert radius.min() > 20.0 - 1.5**2 / (2 * 20.0)


def valley(s, y):
    """A groove along y: two walls at 25 degrees from upright, tangent to a round bottom of radius 3."""
    lean, radius = np.deg2rad(25.0), 3.0
    turn = np.clip(s / radius, lean - np.pi / 2, np.pi / 2 - lean)
    past = s - radius * turn
    return np.column_stack(
        [radius * np.sin(turn) + past * np.sin(lean), y, -radius * np.cos(turn) + np.abs(past) * np.cos(lean)]
    )


def nearest_of_valley(points):
    """Closest points of the groove, for points above it."""
    lean, radius = np.deg2rad(25.0), 3.0
    turn = np.arctan2(points[:, 0], -points[:, 2])
    limit = np.pi / 2 - lean
    wall = np.abs(points[:, 0]) * np.sin(lean) + points[:, 2] * np.cos(lean)
    s = np.where(wall > 0.0, radius * limit + wall, radius * np.minimum(np.abs(turn), limit))
    return valley(np.copysign(s, points[:, 0]), points[:, 1])


def test_the_ground_reaches_the_bottom_of_a_narrow_hollow():
    """A filling across it lies nearest to both walls, and left the bottom without any node."""
    unrolled, faces = sheet(60.0, 60.0, 1.0)
    points = valley(unrolled[:, 0], unrolled[:, 1])
    corner = points[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    normals = np.zeros_like(points)
    np.add.at(normals, faces.ravel(), np.repeat(across, 3, axis=0))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    damaged = np.hypot(unrolled[:, 0], unrolled[:, 1]) < 16.0
    region = cut_out(points, faces, normals, damaged, 40.0)
    ground = make_ground(region, 1.3, nearest_of_valley)
    place = np.stack(np.meshgrid(np.linspace(-14.0, 14.0, 57), np.linspace(-6.0, 6.0, 25)), axis=-1)
    truth = valley(*place.reshape(-1, 2).T)
    assert cKDTree(ground.points).query(truth)[0].max() < 1.3
    assert_manifold(ground.faces)


def test_a_finely_scanned_outline_is_bridged_by_fewer_points(monkeypatch):
    """More points on the loops than are filled at once, and still every edge has its two faces."""
    monkeypatch.setattr("gaploft.patch.ground._MOST_ON_LOOP", 70)
    points, faces, normals, away = flat()
    region = cut_out(points, faces, normals, (away > 5.0) & (away < 18.0), 7.0)
    ((one, two),) = region.outline
    assert len(one) + len(two) > 100
    ground = make_ground(region, 2.0)
    assert_manifold(ground.faces)
    assert euler(ground.faces) == 1
    filled = -sum(signed(region.points, loop) for loop in (one, two))
    # Fans over the points that are left out lie double where the loop bends, by less than a row of faces.
    assert ground.areas @ ground.lost == pytest.approx(filled, rel=0.02)


def test_outlines_far_apart_are_refused():
    points, faces = open_tube(radius=4.0, length=100.0, n_u=101, n_v=32)
    normals = points / 4.0 * [1.0, 1.0, 0.0]
    damaged = np.abs(points[:, 2] - 50.0) < 20.0
    region = cut_out(points, faces.astype(np.int32), normals, damaged, 12.0)
    with pytest.raises(InputError, match="outlines 40 mm apart"):
        make_ground(region, 2.0)


def test_fairing_leaves_a_linear_filling_alone_and_holds_the_rest():
    """The graph's Laplacian vanishes on an even lattice where coordinates are linear."""
    points, faces = sheet(20.0, 20.0, 2.0)
    inside = (np.abs(points[:, :2]) < 7.0).all(axis=1)
    dented = points + np.where(inside, 1.0, 0.0)[:, None] * [0.3, -0.2, 2.0]
    filled = inside[faces].any(axis=1)
    moved = faired(dented, faces, filled)
    held = np.unique(faces[~filled])
    assert_array_equal(moved[held], dented[held])
    assert np.abs(moved[inside, 2]).max() < 1e-9
    assert_array_equal(faired(dented, faces, np.zeros(len(faces), bool)), dented)


def test_a_filled_ball_is_closed():
    k = np.arange(4000) + 0.5
    z, turn = 1.0 - 2.0 * k / 4000, np.pi * (1.0 + 5.0**0.5) * k
    normals = np.column_stack([np.sqrt(1 - z**2) * np.cos(turn), np.sqrt(1 - z**2) * np.sin(turn), z])
    faces = ConvexHull(normals).simplices.astype(np.int32)
    corner = normals[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    faces[np.einsum("ij,ij->i", across, corner[:, 0]) < 0.0] = faces[
        np.einsum("ij,ij->i", across, corner[:, 0]) < 0.0
    ][:, ::-1]
    region = cut_out(12.0 * normals, faces, normals, normals[:, 2] > 0.85, 60.0)
    ground = make_ground(region, 1.5)
    assert len(open_edges(ground.faces, len(ground.points))) == 0
    assert euler(ground.faces) == 2
