"""The wall under a target on tubes that are formulas: what is left of it, its inner surface, refusals."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from closed_surfaces import cylinder, elliptic_cylinder, spline_of, torus
from gaploft.errors import InputError
from gaploft.job import Layers, Reading, WallSettings
from gaploft.laminate.wall import make_wall
from walled import trusted_fit, walled

CYLINDER = spline_of(cylinder(16.0).point, 100.0, 8, 24)
TORUS = spline_of(torus(400.0, 16.0).point, 200.0, 12, 32)
ELLIPSE = spline_of(elliptic_cylinder(20.0, 14.0).point, 100.0, 8, 64)


def waisted(u, v):
    """Section 10 + 5 cos 2v: 10 mm thick at its waist, its tightest radius 6.43 mm (r = 15, r'' = -20)."""
    r = 10.0 + 5.0 * np.cos(2.0 * v)
    return np.stack(np.broadcast_arrays(r * np.cos(v), r * np.sin(v), u), axis=-1)


def tube(surface=CYLINDER, gap=(40.0, 60.0), **options):
    return trusted_fit(surface, gap=gap, **options)


@pytest.mark.parametrize(("cover", "share"), [(0.03, 0.075), (0.05, 0.125), (0.1, 0.25)])
def test_shares_of_a_thin_wall(cover, share):
    """Off a wall of 0.4 mm: 0.03 is 7.5 % of it, 0.05 12.5 %, 0.1 25 %; paint is none of the wall."""
    *_, wall = walled(tube(), 0.4, paint_mm=0.12, filler_mm=0.05, cover_mm=cover)
    assert wall.summary.share_taken_most == pytest.approx(share, abs=1e-12)
    assert wall.summary.left_least_mm == pytest.approx(0.4 - cover, abs=1e-12)
    np.testing.assert_allclose(wall.left_mm, 0.4 - cover, atol=1e-12)
    np.testing.assert_allclose(wall.share, share, atol=1e-12)
    assert (wall.summary.least_mm, wall.summary.most_mm, wall.summary.source) == (0.4, 0.4, "typed")
    assert wall.notes == ()


def test_the_least_wall_is_where_the_thinnest_was_read():
    readings = tuple(
        Reading(t, s, a) for t, s, a in ((1.0, 0, 0), (0.8, 10, 90), (1.1, 20, 180), (1.2, 5, 270))
    )
    _, places, target, wall = walled(tube(), readings, cover_mm=0.2)
    at = wall.summary.left_least_at
    spot = CYLINDER.evaluate(*places.found(readings[1:2], "wall"))[0]
    # the map is held at the thinnest reading around it, less than half of the quarter turn to the next ones
    assert np.linalg.norm(np.array(at.point_mm) - spot) < 16.0 * np.pi / 4.0
    assert wall.summary.left_least_mm == pytest.approx(0.6, abs=1e-3)
    assert wall.summary.source == "4 readings"
    nearest = np.linalg.norm(target.vertices_mm - at.point_mm, axis=1).argmin()
    station, angle = places.named(*target.uv[nearest : nearest + 1].T)
    assert (at.station_mm, at.angle_deg) == (pytest.approx(station[0]), pytest.approx(angle[0]))
    assert wall.over(*places.found(readings, "wall")) == pytest.approx([1.0, 0.8, 1.1, 1.2], abs=1e-9)


@pytest.mark.parametrize("outside", ["blend", "step"])
def test_layers_that_end_at_the_rim_take_nothing_beyond_it(outside):
    layers = Layers(paint_mm=0.1, cover_mm=0.3, outside=outside)
    _, _, target, wall = walled(tube(), 1.0, layers=layers)
    end = target.uv[:, 0] == wall.stations_mm[0]
    assert end.any()
    np.testing.assert_allclose(wall.left_mm[end], 1.0, atol=1e-9)
    assert wall.summary.left_least_mm == pytest.approx(0.7, abs=1e-9)
    assert wall.left_mm.max() <= 1.0


def test_the_inner_surface_lies_under_coats_and_wall_and_faces_away_from_the_axis():
    """A mandrel's own surface: on the torus 16 - 0.1 - 0.8 from the centre circle of radius 400."""
    *_, wall = walled(tube(TORUS, (80.0, 120.0)), 0.8, paint_mm=0.1, cover_mm=0.1)
    points = wall.inner.vertices_mm
    off = np.hypot(np.hypot(points[:, 0], points[:, 2]) - 400.0, points[:, 1])
    np.testing.assert_allclose(off, 15.1, atol=1e-4)
    mesh = trimesh.Trimesh(points, wall.inner.triangles, process=False)
    ring = np.hypot(mesh.triangles_center[:, 0], mesh.triangles_center[:, 2])
    centre = mesh.triangles_center * [1, 0, 1] / ring[:, None] * 400.0
    assert ((mesh.triangles_center - centre) * mesh.face_normals).sum(axis=1).min() > 15.0
    assert wall.stations_mm == (66.0, 134.0)  # over gap, margins of 2 and overlaps of 12 mm
    angle = np.arctan2(points[:, 2], points[:, 0])
    np.testing.assert_allclose([angle.min() * 400.0, angle.max() * 400.0], wall.stations_mm, atol=1e-6)


def test_the_section_is_the_bare_laminate_between_the_rebuilt_stations():
    *_, wall = walled(tube(), 1.0, paint_mm=0.1, cover_mm=0.1)
    section = wall.summary.section
    assert section.watertight
    assert section.length_mm == 24.0
    assert section.volume_mm3 == pytest.approx(np.pi * (15.9**2 - 14.9**2) * 24.0, rel=1e-3)
    assert section.outer_area_mm2 == pytest.approx(2 * np.pi * 15.9 * 24.0, rel=1e-3)
    assert section.inner_area_mm2 == pytest.approx(2 * np.pi * 14.9 * 24.0, rel=1e-3)
    mesh = trimesh.Trimesh(wall.section.vertices_mm, wall.section.triangles, process=False)
    assert mesh.is_watertight
    np.testing.assert_allclose(mesh.bounds[:, 2], [38.0, 62.0], atol=1e-9)


def test_a_warning_when_layers_or_band_eat_more_of_the_wall_than_is_allowed():
    fit = tube()
    over, places, target, wall = walled(fit, 1.0, cover_mm=0.31)
    (note,) = wall.notes
    assert note.code == "wall_share"
    assert "take 0.31 mm of a wall of 1.00 mm" in note.text
    assert "31% of it where 30% are allowed" in note.text
    wide = replace(target, band95_mm=np.where(target.zone == 1, 0.5, 0.01))
    wall = make_wall(fit, wide, WallSettings(1.0, 0.4), over, places)
    (note,) = wall.notes
    assert note.code == "wall_band"
    assert "the 95 % band is 0.50 mm of a wall of 1.00 mm" in note.text
    assert wall.summary.band_share_most == pytest.approx(0.5)


def test_layers_thicker_than_the_wall_are_refused():
    text = r"take 0.80 mm out of a wall of 0.60 mm at station .* mm and angle .* degrees, so nothing is left"
    with pytest.raises(InputError, match=text):
        walled(tube(), 0.6, cover_mm=0.5, other_mm=0.3)


@pytest.mark.parametrize(
    ("surface", "wall", "text"),
    [
        # an ellipse 20 x 14 bends with b²/a = 9.8 at the ends of its long axis
        (ELLIPSE, 9.9, r"10.00 mm thick at station .*, where the tube bends with a radius of 9.8\d mm"),
        (
            spline_of(waisted, 100.0, 8, 64),
            5.2,
            r"5.30 mm thick .*, where the tube is only (9.9|10.0)\d mm thick",
        ),
    ],
    ids=["ellipse", "waist"],
)
def test_a_wall_that_does_not_fit_is_refused(surface, wall, text):
    with pytest.raises(InputError, match=text):
        walled(tube(surface), wall, paint_mm=0.1, cover_mm=0.1)
    assert walled(tube(surface), wall - 2.0, paint_mm=0.1, cover_mm=0.1)[-1].summary.section.watertight


@pytest.mark.parametrize(
    ("reading", "text"),
    [
        (Reading(0.9, station_mm=75.0), "reading of wall is at station 75 mm, but the tube is known from"),
        (Reading(0.9, point_mm=(0.0, 25.0, 50.0)), "reading of wall at .* lies 9.0 mm off the tube"),
    ],
)
def test_readings_outside_the_tube_are_refused(reading, text):
    with pytest.raises(InputError, match=text):
        walled(tube(), (Reading(1.0), reading))


def test_a_target_without_parameters_is_our_own_mistake():
    fit = tube()
    over, places, target, _ = walled(fit)
    with pytest.raises(ValueError, match="parameters"):
        make_wall(fit, replace(target, uv=None), WallSettings(1.0), over, places)


def test_the_same_input_gives_the_same_bytes():
    one, two = (walled(tube(TORUS, (80.0, 120.0)), 0.8, cover_mm=0.2)[-1] for _ in range(2))
    assert one.section.vertices_mm.tobytes() == two.section.vertices_mm.tobytes()
    assert one.inner.triangles.tobytes() == two.inner.triangles.tobytes()
    assert one.summary == two.summary
