"""Layers over a tube: what becomes of them beyond the rim, and what the target says of them."""

import dataclasses
import json

import numpy as np
import pytest
import trimesh

from closed_surfaces import SHAPES, spline_of
from gaploft.errors import EvidenceError, InputError
from gaploft.job import Layers, Reading
from gaploft.target.beyond import running_out
from gaploft.target.moved import moved_target
from laid_layers import RADIUS, cut, fit_of, laid, round_patch

CYLINDER = spline_of(SHAPES["cylinder"].point, 100.0, 20, 48)
CHORD_MM = 0.005
TABLE = {"paint_mm": 0.1, "filler_mm": 0.05, "cover_mm": 0.22, "other_mm": 0.03}
DEPTH = 0.4
READINGS = tuple(
    Reading(*row) for row in ((0.10, 0.0, 10.0), (0.22, 12.0, 100.0), (0.16, 5.0, 200.0), (0.13, 20.0, 300.0))
)


def radii(points):
    return np.hypot(points[:, 0], points[:, 1])


def mesh_of(target):
    return trimesh.Trimesh(target.vertices_mm, target.triangles, process=False)


def borders(target):
    """Edges with one facet; every other edge has two, run through once each way."""
    ways = np.stack([target.triangles, np.roll(target.triangles, -1, axis=1)], axis=2).reshape(-1, 2)
    assert len(np.unique(ways, axis=0)) == len(ways)
    edges, count = np.unique(np.sort(ways, axis=1), axis=0, return_counts=True)
    assert count.max() == 2
    return edges[count == 1]


@pytest.mark.parametrize("patch", [None, round_patch()], ids=["ring", "patch"])
def test_the_target_lies_the_sum_below_everywhere(patch):
    fit = fit_of(CYLINDER, patch=patch)
    layers = laid(fit, **TABLE)
    target = cut(fit, layers)
    np.testing.assert_allclose(radii(target.vertices_mm), RADIUS - DEPTH, atol=1e-5)
    np.testing.assert_allclose(target.depth_mm, DEPTH, rtol=1e-12)
    u, v = target.uv.T
    np.testing.assert_allclose(layers.coats(u, v), 0.15, rtol=1e-12)
    np.testing.assert_allclose(layers.to_come(u, v), 0.25, rtol=1e-12)
    assert target.trimmed is None
    assert len(target.quads) * 2 == len(target.triangles)


def test_a_layer_may_be_a_map():
    fit = fit_of(CYLINDER)
    layers = laid(fit, paint_mm=READINGS, cover_mm=0.2)
    target = cut(fit, layers)
    u, v = target.uv.T
    np.testing.assert_allclose(target.depth_mm, layers.coats(u, v) + 0.2, rtol=1e-12)
    np.testing.assert_allclose(radii(target.vertices_mm), RADIUS - target.depth_mm, atol=1e-5)
    assert target.depth_mm.min() == pytest.approx(0.3, abs=1e-3)
    at = [40.0 + r.station_mm for r in READINGS], [np.radians(r.angle_deg) for r in READINGS]
    np.testing.assert_allclose(layers.depth(*map(np.array, at)), [0.30, 0.42, 0.36, 0.33], atol=1e-3)
    assert target.chord_error_mm <= CHORD_MM
    # normals lean by the slope of the depth, which the readings put at some thousandths
    slope = np.gradient(layers.depth(np.linspace(42.0, 58.0, 2001), np.full(2001, 1.0)), 0.008)
    leaning = target.normals[:, 2] - CYLINDER.normals(u, v)[:, 2]
    assert np.abs(leaning).max() > 0.5 * np.abs(slope).max() > 1e-3


def test_running_out_has_no_slope_and_no_bend_at_its_ends():
    """1 - t^3 (10 - 15 t + 6 t^2): value, first and second derivative at 0 and 1, by differences."""
    h = 1e-4
    for end, value in ((0.0, 1.0), (1.0, 0.0)):
        before, at, after = running_out(np.array([end - h, end, end + h]))
        assert at == value
        assert abs(after - before) / (2 * h) < 20 * h**2
        assert abs(after - 2 * at + before) / h**2 < 61 * h
    assert running_out(np.array([0.5]))[0] == 0.5


def test_layers_run_out_to_the_ends_of_the_target():
    """Ring damage with a short flank: the surface ends 9 mm before the rim on one side."""
    fit = fit_of(CYLINDER, gap=(11.0, 31.0))
    layers = laid(fit, outside="blend", overlap=12.0, **TABLE)
    target = cut(fit, layers)
    u = target.uv[:, 0]
    assert (u.min(), u.max()) == (0.0, 45.0)
    expected = DEPTH * np.where(
        u < 9.0, running_out((9.0 - u) / 9.0), np.where(u > 33.0, running_out((u - 33.0) / 12.0), 1.0)
    )
    np.testing.assert_allclose(target.depth_mm, expected, atol=1e-12)
    np.testing.assert_allclose(RADIUS - radii(target.vertices_mm), expected, atol=1e-5)
    assert target.chord_error_mm <= CHORD_MM
    # the meridian's slope is the depth's: normals lean by it
    slope = np.gradient(expected[:: target.shape[1]], u[:: target.shape[1]])
    lean = target.normals[:: target.shape[1], 2]
    np.testing.assert_allclose(lean, slope / np.hypot(1.0, slope), atol=2e-3)


def test_layers_run_out_around_a_patch():
    """A disc of radius 8 with a margin of 2: full depth within 10 mm of its centre, none beyond 22."""
    fit = fit_of(CYLINDER, gap=(42.0, 58.0), patch=round_patch())
    layers = laid(fit, outside="blend", **TABLE)
    target = cut(fit, layers)
    u, v = target.uv.T
    turn = np.mod(v - 1.0 + np.pi, 2 * np.pi) - np.pi
    away = np.hypot(u - 50.0, RADIUS * turn)
    np.testing.assert_allclose(target.depth_mm[away < 9.9], DEPTH, atol=1e-12)
    np.testing.assert_allclose(target.depth_mm[away > 22.1], 0.0, atol=1e-12)
    between = (away > 14.0) & (away < 18.0)
    middle = np.abs(away - 16.0) < 0.3
    assert target.depth_mm[middle] == pytest.approx(DEPTH / 2, abs=0.05)
    order = np.argsort(away[between])
    assert np.corrcoef(away[between][order], target.depth_mm[between][order])[0, 1] < -0.99
    # no facet's neighbour leans away from it as at a crease
    assert np.degrees(mesh_of(target).face_adjacency_angles.max()) < 4.0
    assert target.chord_error_mm <= CHORD_MM


def test_a_ragged_patch_leaves_no_crease():
    """Two discs leave a notch between them, whose ridge of distance would be a crease of up to 16 degrees."""
    fit = fit_of(
        CYLINDER,
        gap=(38.0, 62.0),
        patch=np.concatenate([round_patch(42.0, 1.0, 4.0), round_patch(58.0, 1.0, 4.0)]),
    )
    target = cut(fit, laid(fit, outside="blend", overlap=8.0, cover_mm=0.6), overlap=8.0)
    # a crease of a = 0.28 rad keeps to the tolerance with facets of 8 tolerance / a only, 0.14 mm
    assert target.chord_error_mm <= CHORD_MM
    assert np.diff(np.unique(target.uv[:, 0])).min() > 0.14
    assert np.degrees(mesh_of(target).face_adjacency_angles.max()) < 8.0


def test_a_step_around_the_tube_is_exactly_the_layers():
    fit = fit_of(CYLINDER)
    target = cut(fit, laid(fit, outside="step", **TABLE))
    n_u, n_v = target.shape
    u = target.uv[:, 0].reshape(n_u, n_v)[:, 0]
    twice = np.flatnonzero(np.diff(u) == 0.0)
    assert list(u[twice]) == [38.0, 62.0]
    rings = target.vertices_mm.reshape(n_u, n_v, 3)
    for k in twice:
        height = np.linalg.norm(rings[k] - rings[k + 1], axis=1)
        np.testing.assert_allclose(height, DEPTH, rtol=1e-9)
    outside = (u < 38.0) | (u > 62.0)
    depth = target.depth_mm.reshape(n_u, n_v)
    assert (depth[outside] == 0.0).all()
    assert depth[~outside & (u > 38.0) & (u < 62.0)] == pytest.approx(DEPTH)
    assert (target.zone.reshape(n_u, n_v)[twice] == 0).all()
    assert (target.zone.reshape(n_u, n_v)[twice + 1] == 0).all()
    assert len(borders(target)) == 2 * n_v
    # sleeve of radius 16 outside, of 15.6 between the rims, and two flat rings as steps
    steps = 2 * np.pi * (16.0**2 - 15.6**2)
    expected = 2 * np.pi * (16.0 * 24.0 + 15.6 * 24.0) + steps
    assert mesh_of(target).area == pytest.approx(expected, rel=1e-3)
    assert target.chord_error_mm <= CHORD_MM


def test_a_step_around_a_patch_is_a_wall_along_its_rim():
    fit = fit_of(CYLINDER, gap=(42.0, 58.0), patch=round_patch())
    target = cut(fit, laid(fit, outside="step", **TABLE))
    n_grid = target.shape[0] * target.shape[1]
    u, v = target.uv.T
    away = np.hypot(u - 50.0, RADIUS * (np.mod(v - 1.0 + np.pi, 2 * np.pi) - np.pi))
    depth = target.depth_mm
    assert set(np.unique(depth.round(12))) == {0.0, DEPTH}
    # vertices that follow the grid lie on the rim, to second order in the longest edge, a diagonal
    off = (np.hypot(1.0, 2.0) * RADIUS * 2 * np.pi / target.shape[1]) ** 2 / (8 * 9.0)
    assert np.abs(away[n_grid:] - 10.0).max() < off
    assert away[depth > 0.0].max() < 10.0 + off
    assert away[depth == 0.0].min() > 10.0 - off
    # the wall joins the same place, high and low
    low, high = depth[target.triangles].min(axis=1), depth[target.triangles].max(axis=1)
    wall = target.triangles[low < high]
    places = {tuple(row) for row in target.uv[wall[depth[wall] == 0.0]]}
    assert places == {tuple(row) for row in target.uv[wall[depth[wall] > 0.0]]}
    mesh = mesh_of(target)
    assert mesh.area_faces[low < high].sum() == pytest.approx(2 * np.pi * 10.0 * DEPTH, rel=0.02)
    floor = mesh.area_faces[low > 0.0].sum()
    assert floor == pytest.approx(np.pi * 10.0**2 * (RADIUS - DEPTH) / RADIUS, rel=0.01)
    assert (
        np.abs((mesh.face_normals * target.normals[target.triangles[:, 0]]).sum(1))[low == high] > 0.9
    ).all()
    assert ((mesh.face_normals * target.normals[target.triangles[:, 0]]).sum(1)[low == high] > 0.9).all()
    assert len(borders(target)) == 2 * target.shape[1]
    assert (target.zone[n_grid:] == 0).all()
    assert (target.zone[(away < 9.5)] == 1).all()
    # the grid is still one for sculpting, each place with its own side's depth
    assert target.quads.max() == n_grid - 1
    assert len(target.quads) == (target.shape[0] - 1) * target.shape[1]
    assert target.chord_error_mm <= CHORD_MM


def test_a_step_of_layers_that_are_nothing_in_places_still_has_facets():
    readings = (Reading(0.0, -2.0, 0.0), Reading(0.0, -2.0, 20.0), Reading(0.3, 10.0, 180.0))
    fit = fit_of(CYLINDER)
    target = cut(fit, laid(fit, paint_mm=readings, outside="step"))
    assert mesh_of(target).area_faces.min() > 1e-5
    assert len(borders(target)) == 2 * target.shape[1]


@pytest.mark.parametrize("outside", ["same", "blend", "step"])
def test_without_layers_the_target_is_the_surface(outside):
    fit = fit_of(CYLINDER)
    target = cut(fit, laid(fit, outside=outside))
    np.testing.assert_allclose(radii(target.vertices_mm), RADIUS, atol=1e-5)
    assert len(np.unique(target.uv, axis=0)) == len(target.uv)


def test_a_step_needs_no_overlap_and_running_out_does():
    fit = fit_of(CYLINDER)
    target = cut(fit, laid(fit, outside="step", overlap=0.0, **TABLE), overlap=0.0)
    np.testing.assert_allclose(target.depth_mm, DEPTH, rtol=1e-12)
    with pytest.raises(InputError, match='overlap of 0 mm: give an overlap, or outside = "same"'):
        laid(fit, outside="blend", overlap=0.0, **TABLE)


def test_readings_outside_the_tube_are_refused():
    with pytest.raises(InputError, match="a reading of filler is at station 200 mm"):
        laid(fit_of(CYLINDER), filler_mm=(Reading(0.1), Reading(0.2, 200.0, 0.0)))


def test_too_fine_a_tolerance_is_refused():
    fit = fit_of(CYLINDER)
    with pytest.raises(EvidenceError, match="at most 4000000 are made: give a larger one"):
        cut(fit, laid(fit, **TABLE), chord=1e-7)


def test_the_summary_says_what_was_taken_and_where_it_is_from():
    layers = laid(
        fit_of(CYLINDER), Layers(READINGS, cover_mm=0.2, other_mm=(Reading(0.05),), outside="blend")
    )
    plain = json.loads(json.dumps(dataclasses.asdict(layers.summary)))
    names = [(row["name"], row["source"]) for row in plain["rows"]]
    assert names == [("paint", "4 readings"), ("filler", "typed"), ("cover", "typed"), ("other", "1 reading")]
    assert plain["rows"][0]["least_mm"] == pytest.approx(0.10, abs=1e-3)
    assert plain["rows"][0]["most_mm"] == pytest.approx(0.22, abs=1e-3)
    assert plain["rows"][2] == {"name": "cover", "least_mm": 0.2, "most_mm": 0.2, "source": "typed"}
    assert plain["outside"] == "blend"
    assert plain["depth_least_mm"] == pytest.approx(0.35, abs=1e-3)  # of the rebuilt zone: 0 further out
    assert plain["depth_most_mm"] == pytest.approx(0.47, abs=1e-3)
    assert plain["trimmed_mm2"] == 0.0


def test_work_by_hand_changes_the_depth():
    fit = fit_of(CYLINDER)
    target = cut(fit, laid(fit, **TABLE))
    raised = moved_target(target, target.vertices_mm + 0.1 * target.normals)
    np.testing.assert_allclose(raised.depth_mm, DEPTH - 0.1, rtol=1e-9)
    np.testing.assert_array_equal(raised.uv, target.uv)
