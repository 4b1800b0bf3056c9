"""Layers over a patch: closed forms on a ball, its target with a step, running out, and trimmed."""

import numpy as np
import pytest
import trimesh

import ball_patch
import plain_patch
from ball_patch import RADIUS_MM, RIM_MM
from gaploft.errors import EvidenceError, InputError
from gaploft.evidence.rim import facet_normals
from gaploft.job import Layers, Reading
from gaploft.target.patch_layers import thickness_at
from gaploft.target.patch_mesh import cut_patch
from gaploft.target.patch_room import bends, room_under
from gaploft.target.patch_step import taken_apart

OVERLAP_MM, CHORD_MM = 6.0, 0.005


def cut(layers, **how):
    surface, nodes, _ = ball_patch.ball_patch(**how)
    return cut_patch(surface, nodes, layers, overlap_mm=OVERLAP_MM, chord_tolerance_mm=CHORD_MM)


def mesh_of(target):
    return trimesh.Trimesh(target.vertices_mm, target.triangles, process=False)


def test_layers_that_go_on_make_a_smaller_ball():
    """Layers of 0.5 mm below a ball of radius 20: a cap of radius 19.5, facets within the tolerance of it."""
    made = cut(Layers(paint_mm=0.1, cover_mm=0.4))
    target = made.target
    radii = np.linalg.norm(target.vertices_mm, axis=1)
    np.testing.assert_allclose(radii, RADIUS_MM - 0.5, atol=1e-9)
    np.testing.assert_allclose(np.linalg.norm(target.outer_mm, axis=1), RADIUS_MM, atol=1e-9)
    middles = target.vertices_mm[target.triangles].mean(axis=1)
    off = (RADIUS_MM - 0.5) - np.linalg.norm(middles, axis=1)
    assert 0.0 < off.max() <= target.chord_error_mm <= CHORD_MM
    assert mesh_of(target).area == pytest.approx(
        ball_patch.cap_area(RIM_MM + OVERLAP_MM, RADIUS_MM - 0.5), rel=5e-3
    )
    summary = made.layers.summary
    assert (summary.depth_least_mm, summary.depth_most_mm) == pytest.approx((0.5, 0.5))
    assert [(row.name, row.least_mm) for row in summary.rows] == [
        *(("paint", 0.1), ("filler", 0.0), ("cover", 0.4), ("other", 0.0))
    ]


def test_facets_of_a_hollow_keep_to_the_tolerance_below_it():
    """In a hollow of radius 4 with layers of 3 mm the target has radius 7, and its facets lie farther off."""
    made = cut(Layers(cover_mm=3.0), radius_mm=4.0, outward=-1, reach_mm=7.0, rim_mm=2.0, step_mm=0.6)
    target = made.target
    np.testing.assert_allclose(np.linalg.norm(target.vertices_mm, axis=1), 7.0, atol=1e-9)
    off = 7.0 - np.linalg.norm(target.vertices_mm[target.triangles].mean(axis=1), axis=1)
    assert off.max() == pytest.approx(target.chord_error_mm, rel=0.5)
    assert off.max() <= target.chord_error_mm <= CHORD_MM


def test_a_step_stands_along_the_rim():
    """Its wall is a strip of a cone about the centre: pi sin(a) (R^2 - (R - d)^2)."""
    made = cut(Layers(cover_mm=0.5, outside="step"))
    target, n = made.target, made.n_ground
    assert mesh_of(target).is_winding_consistent
    radii = np.linalg.norm(target.vertices_mm, axis=1)
    np.testing.assert_allclose(np.unique(np.round(radii, 9)), [RADIUS_MM - 0.5, RADIUS_MM], atol=1e-9)
    np.testing.assert_allclose(radii[target.zone == 1], RADIUS_MM - 0.5, atol=1e-9)
    sizes = np.linalg.norm(facet_normals(target.vertices_mm, target.triangles.astype(np.int64)), axis=1)
    wall = np.pi * np.sin(RIM_MM / RADIUS_MM) * (RADIUS_MM**2 - (RADIUS_MM - 0.5) ** 2)
    assert sizes[n:].sum() == pytest.approx(wall, rel=0.01)
    # a wall faces the pole, above whose foot it stands
    ways = facet_normals(target.vertices_mm, target.triangles[n:].astype(np.int64))
    middles = target.vertices_mm[target.triangles[n:]].mean(axis=1)
    assert (ways[:, :2] * middles[:, :2]).sum(axis=1).max() < 0.0
    assert cut(Layers(outside="step")).n_ground == len(cut(Layers(outside="step")).target.triangles)


def test_layers_run_out_without_a_step():
    """1 - t^3 (10 - 15 t + 6 t^2) of them is left; normals are those of the surface of revolution."""
    made = cut(Layers(cover_mm=0.5, outside="blend"))
    target = made.target
    # distances from the rim are straight, 2 R sin(s / 2 R)
    away = made.from_rim_mm[made.vertex]
    t = np.clip(2 * RADIUS_MM * np.sin(away / (2 * RADIUS_MM)) / OVERLAP_MM, 0.0, 1.0)
    depth = 0.5 * (1 - t**3 * (10 - 15 * t + 6 * t**2))
    # the rim is a line through nodes 1.3 mm apart, within 0.05 mm of the circle: 0.5 * 1.875 / 6 mm as deep
    np.testing.assert_allclose(target.depth_mm, depth, atol=0.05 * 0.5 * 1.875 / OVERLAP_MM)
    rate = np.where(away > 0, -0.5 * 30 * t**2 * (1 - t) ** 2 / OVERLAP_MM, 0.0)
    # along the ball a step s raises the radius by -rate s: the normal leans towards the pole by that
    lean = np.arctan2(-rate * RADIUS_MM, RADIUS_MM - depth)
    out = target.vertices_mm / np.linalg.norm(target.vertices_mm, axis=1, keepdims=True)
    down = np.column_stack([out[:, :2] * out[:, 2:], -(out[:, :2] ** 2).sum(axis=1)])
    down /= np.maximum(np.linalg.norm(down, axis=1, keepdims=True), 1e-12)
    wanted = np.cos(lean)[:, None] * out - np.sin(lean)[:, None] * down
    off = np.degrees(np.arccos(np.clip(np.einsum("ij,ij->i", target.normals, wanted), -1, 1)))
    assert off.max() < 1.0
    assert np.degrees(lean).max() > 8.0
    surface, nodes, _ = ball_patch.ball_patch()
    asked = Layers(cover_mm=1.0, outside="blend")
    with pytest.raises(InputError, match="overlap of 0 mm"):
        cut_patch(surface, nodes, asked, overlap_mm=0.0, chord_tolerance_mm=CHORD_MM)


# tight places


def test_layers_are_trimmed_to_a_share_of_the_radius_or_refused():
    """Eight tenths of a radius of 5 mm, as trimmed layers under a tube have it."""
    small = {"radius_mm": 5.0, "reach_mm": 9.0, "rim_mm": 2.0, "step_mm": 0.7}
    with pytest.raises(EvidenceError, match=r"layers of 6\.00 mm can't .* radius of 5\.00 mm") as told:
        cut(Layers(cover_mm=6.0), **small)
    assert str(told.value).count(". ") == 0
    made = cut(Layers(cover_mm=6.0, tight="trim"), **small)
    np.testing.assert_allclose(made.target.depth_mm, 4.0, rtol=1e-4)
    assert made.target.trimmed.all()
    assert [note.code for note in made.layers.notes] == ["layers_trimmed"]
    assert made.layers.summary.trimmed_mm2 == pytest.approx(
        ball_patch.cap_area(2.0 + OVERLAP_MM, 5.0, 5.0), rel=0.01
    )
    assert cut(Layers(cover_mm=3.0, tight="trim"), **small).target.trimmed is None


def test_curvatures_of_ball_and_saddle():
    """1/R on a ball; 2/a and -2/b in the middle of x^2/a - y^2/b."""
    _, nodes, _ = ball_patch.ball_patch()
    for found in bends(nodes.points, nodes.normals, nodes.faces):
        np.testing.assert_allclose(found, 1 / RADIUS_MM, rtol=1e-3)
    saddle = plain_patch.saddle(0.5)
    low, high = bends(saddle.vertices_mm, saddle.normals, saddle.triangles)
    middle = int(np.linalg.norm(saddle.vertices_mm, axis=1).argmin())
    a, b = plain_patch.BENDS_MM
    # its outside is up: what rises along x is hollow
    assert (low[middle], high[middle]) == pytest.approx((-2 / a, 2 / b), rel=0.02)


def test_the_other_side_of_a_thin_part_stops_layers():
    """Two planes 3 mm apart: the ball between them has a radius of 1.5 mm."""
    flat, triangles = plain_patch.disc(8.0, 8.0, 1.0)
    top = np.column_stack([flat, np.zeros(len(flat))])
    up = np.tile([0.0, 0.0, 1.0], (len(flat), 1))
    fine, _ = plain_patch.disc(12.0, 12.0, 0.4)
    below = np.column_stack([fine, np.full(len(fine), -3.0)])
    around = np.concatenate([top, below]), np.concatenate([up, -np.tile(up[:1], (len(fine), 1))])
    room = room_under(top, up, triangles, around=around, most_mm=4.0)
    np.testing.assert_allclose(room.radius_mm, 1.5, rtol=0.02)
    assert room.facing.all()
    assert room.told(0).startswith("the part is only 3.0")


# readings and steps


def test_readings_by_place_are_met_and_kept_within():
    places = [(0.0, 0.0, 20.0), (6.0, 0.0, 19.0), (0.0, 6.0, 19.0)]
    over = thickness_at(
        tuple(Reading(value, point_mm=place) for place, value in zip(places, (0.1, 0.2, 0.4), strict=True)),
        "paint",
    )
    np.testing.assert_allclose(over(np.array(places)), [0.1, 0.2, 0.4], atol=1e-9)
    around = over(np.random.default_rng(0).uniform(-30, 30, (200, 3)))
    assert around.min() >= 0.1
    assert around.max() <= 0.4
    assert thickness_at((Reading(0.3, point_mm=places[0]),), "paint")(np.zeros((2, 3))).tolist() == [0.3, 0.3]


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        ((Reading(0.1, station_mm=3.0), Reading(0.2, station_mm=9.0)), "by station and angle need a tube"),
        (
            (Reading(0.1, point_mm=(0, 0, 1)), Reading(0.2, point_mm=(0, 0, 1.1))),
            "two readings of paint are of the same place",
        ),
    ],
)
def test_readings_that_say_nothing_are_refused(readings, words):
    with pytest.raises(InputError, match=words):
        thickness_at(readings, "paint")


def test_parts_get_corners_of_their_own_and_walls_between():
    """Two triangles at two heights and a wall at a free edge, by hand."""
    faces = np.array([[0, 1, 2], [2, 1, 3]])
    apart = taken_apart(faces, np.array([0, 1]))
    assert (apart.n_ground, len(apart.triangles)) == (2, 4)
    assert sorted(zip(apart.vertex.tolist(), apart.part.tolist(), strict=True)) == [
        *((0, 0), (1, 0), (1, 1), (2, 0), (2, 1), (3, 1))
    ]
    assert trimesh.Trimesh(np.eye(6)[:, :3], apart.triangles, process=False).is_winding_consistent
    free = np.array([-1, 2, 2, 2])  # the edges 1-3 and 3-2 are open at both ends
    walled = taken_apart(faces, np.array([0, 1]), free)
    assert len(walled.triangles) == 2 + 2 + 4
    assert trimesh.Trimesh(
        np.arange(3.0 * len(walled.vertex)).reshape(-1, 3), walled.triangles, process=False
    ).is_winding_consistent
    assert len(taken_apart(faces, np.array([1, 1])).triangles) == 2
