"""A target without rings: planar cuts of it, which way it lies, sections, and work by hand on its triangles.

Cap and saddle have closed forms.
"""

import dataclasses

import numpy as np
import pytest
import trimesh

import plain_patch
import plain_rebuild
from gaploft.evidence.hand import hand_changes
from gaploft.evidence.hand_back import given_back
from gaploft.evidence.hand_lock import lock_weights
from gaploft.evidence.rim import corner_areas, facet_normals, rim_edges
from gaploft.evidence.verdict import SEAM_ANGLE_DEG
from gaploft.target.cut import cut_by_plane
from gaploft.target.lay import Lay, lay_of
from gaploft.target.moved import moved_target
from gaploft.target.patch_section import as_slices, cut_slice, points_on_patch
from gaploft.target.rings import as_rings
from sleeve import sleeve


def area_of(target):
    return np.linalg.norm(facet_normals(target.vertices_mm, target.triangles.astype(np.int64)), axis=1).sum()


def test_a_patch_has_facets_and_no_rings():
    patch, tube = plain_patch.cap(), plain_rebuild.target()
    assert (patch.ringed, tube.ringed) == (False, True)
    assert patch.facets is patch.triangles
    assert tube.facets is tube.quads
    with pytest.raises(ValueError, match="no rings"):
        patch.on_rings(patch.band95_mm)
    with pytest.raises(ValueError, match="are not 0 rings"):
        as_rings(patch.vertices_mm, patch.normals, patch.band95_mm, patch.shape)


def test_depth_lies_between_target_and_outer_surface():
    """A ball of radius 40 with layers of 0.3 mm: the target is a ball of radius 39.7."""
    target = plain_patch.cap(depth_mm=0.3)
    centre = [0.0, 0.0, -plain_patch.BALL_MM]
    for points, radius in ((target.outer_mm, 40.0), (target.vertices_mm, 39.7)):
        np.testing.assert_allclose(np.linalg.norm(points - centre, axis=1), radius, atol=1e-12)
    # facets of 0.5 mm lack some (0.5/40)^2/12 of a ball's area, and the round edge (2 pi/n)^2/6 of it
    fine = plain_patch.cap(0.5, depth_mm=0.3)
    assert area_of(fine) == pytest.approx(plain_patch.cap_area(39.7), rel=1e-3)


# planar cuts


def saddle_mesh():
    target = plain_patch.saddle()
    return target, trimesh.Trimesh(target.vertices_mm, target.triangles, process=False)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_cuts_are_those_of_a_general_library(seed):
    """trimesh.intersections.mesh_plane: as many pieces, and as long together."""
    target, mesh = saddle_mesh()
    normal = np.random.default_rng(seed).normal(size=3)
    cut = cut_by_plane(target.vertices_mm, target.triangles, [1.0, 0.5, 0.2], normal)
    points = cut.carried(target.vertices_mm)
    theirs = trimesh.intersections.mesh_plane(mesh, normal / np.linalg.norm(normal), [1.0, 0.5, 0.2])
    assert len(cut.pieces) == len(theirs)
    lengths = np.linalg.norm(np.diff(points[cut.pieces], axis=1), axis=2)
    assert lengths.sum() == pytest.approx(np.linalg.norm(np.diff(theirs, axis=1), axis=2).sum(), rel=1e-9)
    np.testing.assert_allclose((points - [1.0, 0.5, 0.2]) @ normal, 0.0, atol=1e-12)


def test_a_cut_of_a_cap_is_one_open_line_with_its_outside_on_the_left():
    target = plain_patch.cap()
    way = np.array([1.0, 0.0, 0.0])
    cut = cut_by_plane(target.vertices_mm, target.triangles, np.zeros(3), way)
    (line,) = cut.lines
    assert len(line) == len(cut.ends)
    points = cut.carried(target.vertices_mm)[line]
    steps = np.diff(points, axis=0)
    outwards = cut.carried(target.normals)[line[:-1]]
    assert (np.einsum("ij,ij->i", np.cross(way, steps), outwards) > 0.0).all()
    # an arc of 30 mm; each chord of 1 mm is shorter by (1/40)^2/24 of itself
    assert np.linalg.norm(steps, axis=1).sum() == pytest.approx(2 * plain_patch.CAP_MM, rel=1e-3)


def test_a_cut_round_a_ball_is_closed_and_two_islands_give_two_lines():
    ball = trimesh.creation.icosphere(subdivisions=3, radius=10.0)
    cut = cut_by_plane(ball.vertices, ball.faces, [0.0, 0.0, 3.0], [0.0, 0.0, 1.0])
    (line,) = cut.lines
    assert line[0] == line[-1]
    assert len(set(line.tolist())) == len(line) - 1 == len(cut.ends)
    both = np.concatenate([ball.vertices, ball.vertices + [30.0, 0.0, 0.0]])
    faces = np.concatenate([ball.faces, ball.faces + len(ball.vertices)])
    two = cut_by_plane(both, faces, [0.0, 0.0, 3.0], [0.0, 0.0, 1.0])
    assert [len(found) for found in two.lines] == [len(line), len(line)]


def test_a_plane_through_vertices_leaves_no_gaps():
    """All cuts of a grid along one of its own lines."""
    x, y = (a.ravel() for a in np.meshgrid(np.arange(5.0), np.arange(4.0), indexing="ij"))
    i, j = (a.ravel() for a in np.meshgrid(np.arange(4), np.arange(3), indexing="ij"))
    a, b, c, d = 4 * i + j, 4 * (i + 1) + j, 4 * (i + 1) + j + 1, 4 * i + j + 1
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    for at in (1.0, 2.0, 2.5):
        cut = cut_by_plane(np.column_stack([x, y, 0 * x]), faces, [at, 0, 0], [1, 0, 0])
        (line,) = cut.lines
        places = cut.carried(np.column_stack([x, y]))[line]
        np.testing.assert_allclose(places[:, 0], at)
        assert np.ptp(places[:, 1]) == pytest.approx(3.0)
    assert cut_by_plane(np.column_stack([x, y, 0 * x]), faces, [9.0, 0, 0], [1, 0, 0]).lines == ()


# which way it lies


def test_lay_of_a_saddle_is_its_own_and_moves_along():
    target = plain_patch.saddle()
    lay = lay_of(target.vertices_mm, target.triangles)
    # the edge and the random places of the mesh are not quite even
    np.testing.assert_allclose(lay.ways, np.eye(3), atol=0.01)
    np.testing.assert_allclose(lay.spans_mm[:2], 2 * np.array(plain_patch.SADDLE_MM), rtol=0.01)
    rng = np.random.default_rng(2)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    turn *= np.linalg.det(turn)
    moved = lay_of(target.vertices_mm @ turn.T + [30.0, -5.0, 90.0], target.triangles)
    np.testing.assert_allclose(moved.spans_mm, lay.spans_mm, rtol=1e-6)
    np.testing.assert_allclose(moved.ways[2], turn @ lay.ways[2], atol=1e-9)
    assert abs(moved.ways[0] @ turn @ lay.ways[0]) == pytest.approx(1.0)
    np.testing.assert_allclose(np.cross(moved.ways[0], moved.ways[1]), moved.ways[2], atol=1e-12)
    assert not moved.closed


def test_lay_of_what_is_alike_all_round_does_not_hang_on_rounding():
    target = plain_patch.cap()
    found = [lay_of(target.vertices_mm + shift, target.triangles).ways for shift in (0.0, 1e-9, 7.0)]
    for ways in found[1:]:
        np.testing.assert_allclose(ways, found[0], atol=1e-6)


def test_lay_of_a_ring_is_closed():
    tube = plain_rebuild.target()
    short = tube.vertices_mm * [1.0, 1.0, 0.2]
    lay = lay_of(short, tube.triangles)
    assert lay.closed
    np.testing.assert_allclose(np.abs(lay.ways[2]), [0.0, 0.0, 1.0], atol=1e-6)
    with pytest.raises(ValueError, match="without an area"):
        lay_of(short, tube.triangles[:0])


# sections


def slices_of(target):
    return as_slices(target.outer_mm, target.normals, target.band95_mm, target.triangles)


def across(slices):
    """The same patch, its stations running across it, so that sections lie along it."""
    lay, turn = slices.lay, np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    bounds = np.stack([turn @ lay.low_mm, turn @ lay.high_mm])
    low, high = bounds.min(axis=0), bounds.max(axis=0)
    return dataclasses.replace(slices, lay=Lay(lay.middle_mm, turn @ lay.ways, low, high))


@pytest.mark.parametrize("step_mm", [2.0, 0.7])
def test_a_section_of_a_ball_is_an_arc_of_its_own_curvature(step_mm):
    """On a plane through the centre 1/R, whatever the facets; normals between vertices are straight lines,
    which leaves (h/R)^2/8 of it."""
    slices = slices_of(plain_patch.cap(step_mm))
    view = cut_slice(slices, 0.5 * slices.length_mm, exaggeration=1.0)
    inner = view.curvature[1:-1]
    assert inner == pytest.approx(1.0 / plain_patch.BALL_MM, rel=2e-3)
    assert (view.curvature[[0, -1]] == 0.0).all()
    assert len(view.pieces) == len(view.outline) - 1, "open at both ends"
    assert np.ptp(view.outline[:, 0]) == pytest.approx(2 * 40.0 * np.sin(15.0 / 40.0), rel=2e-3)
    widths = np.linalg.norm(view.band_high - view.outline, axis=1)
    assert widths.max() == pytest.approx(0.05, abs=0.04 * step_mm / 15.0)
    assert (view.outward[:, 1] > 0.9).all(), "its outside is up"


def test_a_hollow_section_has_negative_curvature_and_a_push_changes_it():
    """Along x the saddle x^2/a bends away: -2/a at its lowest place. A push of c x^2 takes 2 c off."""
    target = plain_patch.saddle(0.7)
    along = across(slices_of(target))
    middle = cut_slice(along, 0.5 * along.length_mm, exaggeration=1.0)
    near = np.abs(middle.outline[:, 0] - middle.outline[:, 0].mean()) < 1.0
    assert middle.curvature[near] == pytest.approx(-2.0 / plain_patch.BENDS_MM[0], rel=0.02)
    pushed = target.outer_mm + (0.01 * target.outer_mm[:, 0] ** 2)[:, None] * target.normals
    changed = cut_slice(along, 0.5 * along.length_mm, exaggeration=1.0, changed_mm=pushed)
    bent = changed.curvature[near].mean() - middle.curvature[near].mean()
    assert bent == pytest.approx(-0.02, rel=0.1)
    with pytest.raises(ValueError, match="must have shape"):
        cut_slice(along, 1.0, exaggeration=1.0, changed_mm=pushed[:-1])


def test_scan_points_stand_where_they_are_above_a_section():
    """Points 0.1 mm above the ball; enlarged 20 times they stand 2 mm off the line."""
    target = plain_patch.cap(0.7)
    slices = slices_of(target)
    above = target.outer_mm + 0.1 * target.normals
    inside = np.concatenate([above, target.outer_mm - 3.0 * target.normals])
    facing = np.concatenate([target.normals, -target.normals])
    points = points_on_patch(slices, inside, depth_mm=5.0, point_normals=facing)
    # what faces inwards is left out, and what lies some hundredths beyond the last station
    assert 0.99 * len(above) <= len(points.height_mm) <= len(above)
    assert points.height_mm == pytest.approx(0.1, abs=1e-3)
    assert (np.diff(points.station_mm) >= 0.0).all()
    view = cut_slice(slices, 0.5 * slices.length_mm, exaggeration=20.0, points=points, slab_mm=2.0)
    assert len(view.points) > 20
    centre = np.array([0.0, view.outline[:, 1].max() - plain_patch.BALL_MM])
    # within a millimetre of the plane through its centre the ball is lower by 1/80 mm at most
    np.testing.assert_allclose(np.linalg.norm(view.points - centre, axis=1), 42.0, atol=0.03)
    assert len(points_on_patch(slices, np.empty((0, 3)), depth_mm=5.0).height_mm) == 0


def test_sections_at_both_ends_are_there_and_arrays_must_match():
    target = plain_patch.cap()
    slices = slices_of(target)
    for station in (-5.0, 0.0, slices.length_mm, 99.0):
        view = cut_slice(slices, station, exaggeration=1.0)
        assert 0.0 < view.station_mm < slices.length_mm
        assert len(view.outline) > 1
        assert view.reach_mm == cut_slice(slices, 10.0, exaggeration=1.0).reach_mm, "one scale for all"
    with pytest.raises(ValueError, match="normals"):
        as_slices(target.outer_mm, target.normals[:-1], target.band95_mm, target.triangles)


# work by hand


def test_rim_of_triangles_against_a_loop_over_them():
    target = plain_patch.saddle(2.0)
    rebuilt = target.zone == 1
    owners = {}
    for triangle in target.triangles.tolist():
        for a, b in zip(triangle, triangle[1:] + triangle[:1], strict=True):
            owners.setdefault((min(a, b), max(a, b)), []).append(all(rebuilt[triangle]))
    expected = sorted(edge for edge, kinds in owners.items() if len(set(kinds)) == 2 or kinds == [True])
    assert [tuple(edge) for edge in rim_edges(target.triangles, rebuilt)] == expected
    assert len(expected) > 10


def test_facets_of_quads_and_of_their_triangles_come_to_the_same():
    points, _, _, quads, _ = sleeve(20.0)
    triangles = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    of_quads, of_triangles = (facet_normals(points, facets) for facets in (quads, triangles))
    np.testing.assert_allclose(of_quads.sum(axis=0), of_triangles.sum(axis=0), atol=1e-9)
    for facets, normals in ((quads, of_quads), (triangles, of_triangles)):
        sizes = np.linalg.norm(normals, axis=1)
        assert corner_areas(sizes, facets, len(points)).sum() == pytest.approx(sizes.sum())


def test_a_lock_on_a_cap_holds_rim_and_overlap_and_follows_its_polynomial():
    target = plain_patch.cap(0.5)
    weights = lock_weights(target.vertices_mm, target.zone, target.facets, 4.0)
    assert (weights[target.zone == 0] == 1.0).all()
    lean = np.arccos(np.clip(target.normals[:, 2], -1.0, 1.0))
    from_rim = plain_patch.HOLE_MM - plain_patch.BALL_MM * lean
    assert (weights[from_rim > 4.0 + 0.8] == 0.0).all()
    # the rim is ragged by up to a facet of half a millimetre
    t = np.clip(from_rim / 4.0, 0.0, 1.0)
    expected = 1.0 - t**3 * (10.0 - t * (15.0 - 6.0 * t))
    steepest = 1.875 / 4.0
    assert np.abs(weights - expected).max() < steepest * 0.8


def test_a_push_through_the_lock_is_measured_and_leaves_the_seam_closed():
    """The pole goes up by 0.1 mm, the rim stays: closed form of the mean is the integral of the lock."""
    target = plain_patch.cap(0.5)
    free = 1.0 - lock_weights(target.vertices_mm, target.zone, target.facets, 6.0)
    pushed = target.vertices_mm + 0.1 * free[:, None] * target.normals
    found = hand_changes(
        target.vertices_mm, pushed, target.normals, np.full(len(free), 0.15), target.zone, target.facets
    )
    assert found.largest_mm == pytest.approx(0.1)
    assert found.normal_mm == (pytest.approx(0.0), pytest.approx(0.1))
    assert (found.seam_step_mm, found.overlap_mm, found.folded, found.outside_band) == (0.0, 0.0, 0, 0)
    assert 0.0 < found.seam_angle_deg < SEAM_ANGLE_DEG
    assert found.sound
    areas = corner_areas(
        np.linalg.norm(facet_normals(pushed, target.facets.astype(np.int64)), axis=1),
        target.facets.astype(np.int64),
        len(free),
    )
    moved = free > 1e-4
    assert found.mean_mm == pytest.approx(0.1 * (areas @ free) / areas[moved].sum(), rel=1e-3)


def test_without_the_lock_the_seam_of_a_patch_opens():
    target = plain_patch.cap(0.7)
    pushed = target.vertices_mm + 0.3 * (target.zone == 1)[:, None] * target.normals
    found = hand_changes(
        target.vertices_mm, pushed, target.normals, np.full(len(pushed), 9.0), target.zone, target.facets
    )
    assert found.seam_step_mm == pytest.approx(0.3)
    # 0.3 mm over a facet of 0.7 mm
    assert found.seam_angle_deg > 20.0
    assert not found.seam_holds
    folded = target.vertices_mm.copy()
    folded[np.argmin(np.linalg.norm(folded, axis=1))] += [3.0, 0.0, 0.0]
    back = hand_changes(
        target.vertices_mm, folded, target.normals, target.band95_mm, target.zone, target.facets
    )
    assert back.folded > 0


def test_giving_back_fades_with_the_way_along_a_cap():
    """Along edges and across pairs of triangles a way is longer than straight by 1/cos of half the largest
    angle between neighbouring directions: in an even mesh 15 degrees, 4 %; here it is not quite even."""
    target = plain_patch.cap(0.5)
    current = target.vertices_mm + 0.2 * target.normals
    along = plain_patch.BALL_MM * np.arccos(np.clip(target.normals[:, 2], -1.0, 1.0))
    region = along < 3.0
    given = given_back(target.vertices_mm, current, region, target.facets, 6.0)
    assert np.array_equal(given[region], target.vertices_mm[region])
    assert np.array_equal(given[along > 3.0 + 6.0 + 0.1], current[along > 3.0 + 6.0 + 0.1])
    left = np.einsum("ij,ij->i", given - target.vertices_mm, target.normals) / 0.2
    # the region ends somewhere within the last facet
    early, late = (
        np.clip((stretch * (along - at)) / 6.0, 0.0, 1.0) for stretch, at in ((1.0, 3.0), (1.08, 2.4))
    )
    assert (left >= early**2 * (3.0 - 2.0 * early) - 1e-9).all()
    assert (left <= late**2 * (3.0 - 2.0 * late) + 1e-9).all()


def test_a_moved_patch_stays_one_and_its_band_grows():
    target = plain_patch.cap(depth_mm=0.3)
    moved = moved_target(target, target.vertices_mm + 0.1 * target.normals)
    assert not moved.ringed
    np.testing.assert_allclose(moved.band95_mm, target.band95_mm + 0.1)
    np.testing.assert_allclose(moved.depth_mm, 0.2)
    lean = np.degrees(np.arccos(np.clip((moved.normals * target.normals).sum(axis=1), -1.0, 1.0)))
    assert np.median(lean) < 0.5


def test_facets_of_five_corners_are_a_bug():
    target = plain_patch.cap(3.0)
    five = np.zeros((2, 5), dtype=int)
    with pytest.raises(ValueError, match="must have four corners each, or three each"):
        lock_weights(target.vertices_mm, target.zone, five, 1.0)
    with pytest.raises(ValueError, match="must have four corners each, or three each"):
        given_back(target.vertices_mm, target.vertices_mm, target.zone == 1, five, 1.0)
