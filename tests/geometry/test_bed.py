"""The bed on tubes that are formulas: areas, volumes, slopes and handbook tapers, its mesh, refusals."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import trimesh

from closed_surfaces import cone, cylinder, elliptic_cylinder, spline_of, torus
from gaploft.errors import EvidenceError, InputError
from gaploft.job import BedSettings, Ply, Reading
from gaploft.laminate.bed import make_bed
from gaploft.target.places import Places
from gaploft.target.readings import thickness_over
from walled import bedded, even_disc, trusted_fit, walled

R = 16.0
CYLINDER = spline_of(cylinder(R).point, 120.0, 8, 24)
LONG = spline_of(cylinder(40.0).point, 260.0, 16, 24)
SMALL = spline_of(cylinder(5.0).point, 120.0, 8, 24)
CONE = spline_of(cone(20.0, 17.6, 120.0).point, 120.0, 12, 24)
TORUS = spline_of(torus(400.0, R).point, 120.0, 8, 32)
OVAL = spline_of(elliptic_cylinder(20.0, 14.0).point, 120.0, 8, 64)
FOUR = (Ply("cloth", 4, thickness_mm=0.25),)
A = 8.0


def ring(surface=CYLINDER, gap=(50.0, 70.0), **options):
    return trusted_fit(surface, gap=gap, **options)


def patch(surface=CYLINDER, *, spacing=0.2, at=(60.0, 1.0), radius=A, **options):
    """Damage on a disc of the unrolled tube."""
    places = even_disc(radius, spacing) / [1.0, R] + at
    gap = (at[0] - radius, at[0] + radius)
    return trusted_fit(surface, gap=gap, patch=places, **options)


@cache
def plate(kind, name="CYLINDER"):
    settings = BedSettings(ratio=20.0) if kind == "ratio" else BedSettings(step_mm=5.0, plies=FOUR)
    return bedded(patch(globals()[name]), settings)


def mesh_of(bed):
    return trimesh.Trimesh(bed.vertices_mm, bed.triangles, process=False)


@pytest.mark.parametrize("paint", [0.0, 0.1])
def test_a_taper_around_a_broken_cylinder_is_two_frustums(paint):
    """Lateral area and volume of cone frustums, within 0.1 % as was asked for; 20:1 is 2.862 degrees."""
    bed = bedded(ring(), BedSettings(ratio=20.0, cut_back_mm=2.0), paint_mm=paint).summary
    out, inn, length = R - paint, R - paint - 1.0, 20.0
    assert bed.area_mm2 == pytest.approx(2 * np.pi * (out + inn) * np.hypot(length, 1.0), rel=1e-3)
    frustum = np.pi * length / 3.0 * (out**2 + out * inn + inn**2)
    assert bed.removed_mm3 == pytest.approx(2 * (np.pi * out**2 * length - frustum), rel=1e-6)
    assert bed.slope_most_deg == pytest.approx(2.862, abs=1e-3)
    assert (bed.kind, bed.ratio, bed.step_mm, bed.n_steps) == ("ratio", 20.0, None, None)
    assert (bed.taper_least_mm, bed.taper_most_mm) == (pytest.approx(20.0), pytest.approx(20.0))
    assert bed.reaches_mm == (pytest.approx(22.0), pytest.approx(22.0))
    assert (bed.hole_length_mm, bed.cut_back_mm) == (pytest.approx(24.0), 2.0)
    assert bed.chord_error_mm <= 0.005


def test_steps_around_a_broken_cylinder_are_rings():
    """Terraces are cylinders, upright walls flat rings, and what is ground off hollow cylinders."""
    bed = bedded(ring(), BedSettings(step_mm=8.0, plies=FOUR), paint_mm=0.1).summary
    out, depths = R - 0.1, np.array([0.25, 0.5, 0.75])
    area = 2 * (2 * np.pi * (out - depths).sum() * 8.0 + np.pi * (out**2 - (out - 1.0) ** 2))
    assert bed.area_mm2 == pytest.approx(area, rel=1e-3)
    assert bed.removed_mm3 == pytest.approx(2 * np.pi * 8.0 * (out**2 - (out - depths) ** 2).sum(), rel=1e-6)
    assert (bed.kind, bed.ratio, bed.step_mm, bed.n_steps) == ("steps", None, 8.0, 3)
    assert (bed.taper_least_mm, bed.taper_most_mm) == (24.0, 24.0)
    assert bed.slope_most_deg == 90.0
    assert bed.chord_error_mm <= 0.005


@pytest.mark.parametrize("ratio", [20.0, 50.0])
@pytest.mark.parametrize(
    ("wall", "at_20", "at_50"), [(0.4, 8, 20), (0.8, 16, 40), (1.2, 24, 60), (2.0, 40, 100)]
)
def test_tapers_are_as_long_and_steep_as_in_the_trade_table(wall, at_20, at_50, ratio):
    """Length over depth of 20:1 to 60:1 is the rule for tapered repairs (FAA-H-8083-31, chapter 7, from
    memory); lengths by arithmetic, angles 2.862 and 1.146 degrees."""
    fit = ring(LONG, (120.0, 140.0))
    bed = bedded(fit, BedSettings(ratio=ratio), wall).summary
    length, angle = {20.0: (at_20, 2.862), 50.0: (at_50, 1.146)}[ratio]
    assert bed.taper_most_mm == pytest.approx(length)
    assert bed.reaches_mm == (pytest.approx(length), pytest.approx(length))
    assert bed.slope_most_deg == pytest.approx(angle, abs=1e-3)


def test_a_step_of_half_an_inch_a_ply():
    """12.7 mm a ply of 0.22 mm is nearly 58:1 (trade article on tapered scarfs: half an inch a ply)."""
    plies = (Ply("cloth", 3, thickness_mm=0.22),)
    bed = bedded(ring(), BedSettings(step_mm=12.7, plies=plies), 0.66).summary
    assert bed.taper_most_mm == pytest.approx(25.4)
    assert round(bed.taper_most_mm / (2 * 0.22)) == 58


def circle_volume(hole, wall, length, radius):
    """What a taper around a circular hole on a cylinder removes: depth w(1 - x) over rings of the unrolled
    plane, less depth squared over the diameter since the tube narrows inwards."""
    flat = wall * length * (hole / 2 + length / 6)
    narrower = wall**2 * length * (hole / 3 + length / 12) / (2 * radius)
    return 2 * np.pi * (flat - narrower)


def circle_area(hole, wall, length, radius):
    """Area of that bed by quadrature of its own first fundamental form: (z, phi) with d(rho) below R."""
    rho, turn = np.meshgrid(
        hole + length * (np.arange(400) + 0.5) / 400, 2 * np.pi * (np.arange(400) + 0.5) / 400, indexing="ij"
    )
    below = wall * (1 - (rho - hole) / length)
    along, around = -wall / length * np.cos(turn), -wall / length * np.sin(turn)  # by mm of the plane
    narrow = (radius - below) / radius
    size = np.sqrt((1 + along**2) * narrow**2 + around**2)
    return (size * rho).sum() * (length / 400) * (2 * np.pi / 400)


def test_a_taper_around_a_round_hole():
    bed = plate("ratio")
    hole = A + bed.hole.spacing_mm
    assert bed.summary.removed_mm3 == pytest.approx(circle_volume(hole, 1.0, 20.0, R), rel=1e-3)
    assert bed.summary.area_mm2 == pytest.approx(circle_area(hole, 1.0, 20.0, R), rel=1e-3)
    assert bed.summary.hole_length_mm == pytest.approx(2 * hole, abs=0.02)
    # around the tube the bottom is narrower than the top, so that the slope is steeper there
    assert np.tan(np.radians(bed.summary.slope_most_deg)) == pytest.approx(0.05 * 16.0 / 15.0, rel=0.01)
    assert bed.summary.chord_error_mm <= 0.005


def test_steps_around_a_round_hole():
    bed = plate("steps")
    edges = A + bed.hole.spacing_mm + 5.0 * np.arange(4)
    depths = np.array([0.75, 0.5, 0.25])
    rings = np.pi * np.diff(edges**2)
    assert bed.summary.removed_mm3 == pytest.approx((rings * (depths - depths**2 / (2 * R))).sum(), rel=1e-3)
    heights = np.diff([1.0, *depths, 0.0])
    across = 2 * np.pi * edges * np.abs(heights)  # the walls, on the unrolled tube
    wide = rings.sum() - (rings * depths / R).sum()
    assert bed.summary.area_mm2 == pytest.approx(wide + across.sum(), rel=2e-3)  # walls are narrower by d/2R


@pytest.mark.parametrize("name", ["CYLINDER", "CONE", "OVAL", "TORUS"])
def test_the_ratio_is_the_same_all_around_the_hole(name):
    """Depth over the way to the nearest point of the hole's edge, in space, is 1 in 20 within 2 %."""
    bed = plate("ratio", name)
    wall_left = 1.0 - bed.depth_mm  # no coats here
    edge = bed.vertices_mm[bed.beyond_mm == 0.0] + 0.0
    top = trusted_top(bed, name)
    near = (bed.beyond_mm > 3.0) & (bed.beyond_mm < 6.0)
    hole = top[bed.beyond_mm == 0.0]
    away = np.linalg.norm(top[near][:, None] - hole, axis=2).min(axis=1)
    assert len(edge) > 50
    # straight through space the way is shorter than along the surface by its cube over 24 R²
    np.testing.assert_allclose(wall_left[near] * 20.0, away, rtol=0.02)


def trusted_top(bed, name):
    """The bed's vertices raised to the outer surface."""
    return globals()[name].evaluate(*bed.uv.T)


@pytest.mark.parametrize("kind", ["ratio", "steps"])
def test_a_patch_gets_a_plate_with_a_hole(kind):
    bed, mesh = plate(kind), mesh_of(plate(kind))
    assert mesh.is_winding_consistent
    assert mesh.euler_number == 0  # a ring
    assert mesh.body_count == 1
    edges, count = np.unique(np.sort(mesh.edges, axis=1), axis=0, return_counts=True)
    assert set(count) == {1, 2}
    border = edges[count == 1]
    loops = trimesh.graph.connected_components(border)
    assert len(loops) == 2
    depths = sorted(float(np.ptp(bed.depth_mm[loop])) + float(bed.depth_mm[loop].mean()) for loop in loops)
    assert depths == [pytest.approx(0.0, abs=1e-12), pytest.approx(1.0, abs=1e-12)]


def test_a_broken_tube_gets_two_sleeves_turned_outward():
    bed = bedded(ring(TORUS, (50.0, 70.0)), BedSettings(ratio=20.0))
    mesh = mesh_of(bed)
    assert (mesh.euler_number, mesh.body_count) == (0, 2)
    assert mesh.is_winding_consistent
    _, count = np.unique(np.sort(mesh.edges, axis=1), axis=0, return_counts=True)
    loops = trimesh.graph.connected_components(np.unique(np.sort(mesh.edges, axis=1), axis=0)[count == 1])
    assert len(loops) == 4
    outward = TORUS.normals(*bed.uv[bed.triangles[:, 0]].T)
    assert (mesh.face_normals * outward).sum(axis=1).min() > np.cos(np.radians(10.0))


def test_upright_walls_face_the_hole():
    bed, mesh = plate("steps"), mesh_of(plate("steps"))
    upright = np.abs((mesh.face_normals * CYLINDER.normals(*bed.uv[bed.triangles[:, 0]].T)).sum(axis=1)) < 0.5
    assert upright.sum() > 100
    centre = CYLINDER.evaluate(60.0, 1.0)
    towards = (centre - mesh.triangles_center[upright]) * mesh.face_normals[upright]
    assert (towards.sum(axis=1) > 0.0).mean() > 0.99  # on a tube so wide none looks past its own middle
    heights = np.unique(bed.depth_mm.round(9))
    np.testing.assert_allclose(heights, [0.0, 0.25, 0.5, 0.75, 1.0], atol=1e-9)


def test_a_single_terrace():
    bed = bedded(ring(), BedSettings(step_mm=6.0, plies=(Ply("cloth", 2, thickness_mm=0.5),)))
    assert bed.summary.n_steps == 1
    assert bed.summary.removed_mm3 == pytest.approx(2 * np.pi * 6.0 * (16.0**2 - 15.5**2), rel=1e-6)
    mesh = mesh_of(bed)
    assert (mesh.euler_number, mesh.body_count) == (0, 2)
    assert mesh.is_winding_consistent


def test_a_bed_that_meets_itself_behind_a_thin_tube():
    """20 mm of taper reach more than half of 31 mm around: the ends of the bed are rings there."""
    places = even_disc(3.0, 0.3) / [1.0, 5.0] + [60.0, 1.0]
    fit = trusted_fit(SMALL, gap=(57.0, 63.0), patch=places)
    bed = bedded(fit, BedSettings(ratio=20.0), 1.0)
    mesh = mesh_of(bed)
    assert mesh.euler_number == -1  # a sleeve with a hole
    edges, count = np.unique(np.sort(mesh.edges, axis=1), axis=0, return_counts=True)
    assert len(trimesh.graph.connected_components(edges[count == 1])) == 3
    assert bed.depth_mm[np.abs(bed.uv[:, 0] - 60.0) < 1.0].min() > 0.05  # nothing is left standing behind


def test_the_taper_follows_the_wall_and_paint_lies_over_its_edge():
    """Readings on both sides, the thinner one a quarter below the mean: the bed is as much shorter there."""
    fit, readings = ring(), (Reading(0.8, -17.0, 0.0), Reading(1.2, -17.0, 180.0))
    bed = bedded(fit, BedSettings(ratio=20.0), readings, paint_mm=0.1)
    over = thickness_over(readings, Places(CYLINDER, 50.0), of="wall")
    at_edge, at_hole = bed.depth_mm == 0.1, bed.beyond_mm == 0.0
    np.testing.assert_allclose(bed.beyond_mm[at_edge], 20.0 * over(*bed.uv[at_edge].T), atol=1e-6)
    np.testing.assert_allclose(bed.depth_mm[at_hole], 0.1 + over(*bed.uv[at_hole].T), atol=1e-9)
    assert bed.depth_mm.min() == 0.1
    assert bed.summary.taper_least_mm == pytest.approx(16.0, rel=0.02)
    assert bed.summary.taper_most_mm == pytest.approx(24.0, rel=0.02)


def test_a_flank_that_ends_before_the_bed_is_refused():
    text = (
        r"the bed needs 52.0 mm of intact tube beyond the 'from' end of the damage, and the scan can be "
        r"trusted for 45.0 mm there: give a ratio of at most 43, or scan more of the tube"
    )
    with pytest.raises(EvidenceError, match=text):
        bedded(ring(), BedSettings(ratio=50.0, cut_back_mm=2.0))
    assert bedded(ring(), BedSettings(ratio=43.0, cut_back_mm=2.0)).summary.reaches_mm[0] == pytest.approx(
        45.0
    )
    with pytest.raises(EvidenceError, match=r"60.0 mm of .* give shorter steps, or scan more"):
        bedded(ring(), BedSettings(step_mm=20.0, plies=FOUR))
    with pytest.raises(EvidenceError, match=r"beyond the 'to' end .* trusted for 40.0 mm .* cut back less"):
        bedded(ring(gap=(50.0, 75.0)), BedSettings(ratio=1.5, cut_back_mm=39.5))


def test_steps_need_plies_that_fit_the_wall():
    with pytest.raises(InputError, match="1 ply is to be laid, which laps over nothing"):
        bedded(ring(), BedSettings(step_mm=10.0, plies=(Ply("cloth", 1, thickness_mm=0.25),)))
    with pytest.raises(InputError, match=r"the plies are 0.75 mm thick together, but the wall is 0.70 mm"):
        bedded(ring(), BedSettings(step_mm=10.0, plies=FOUR), 0.7)
    fit = ring()
    over, places, _, wall = walled(fit)  # a wall as it is made, where all others are only its thickness
    assert make_bed(fit, BedSettings(ratio=5.0), over, wall, places).summary.taper_most_mm == pytest.approx(
        5.0
    )
    with pytest.raises(ValueError, match="either a ratio or a step"):
        make_bed(fit, BedSettings(), over, wall, places)
    with pytest.raises(ValueError, match="either a ratio or a step"):
        make_bed(fit, BedSettings(ratio=20.0, step_mm=10.0), over, wall, places)


def test_a_note_where_the_lay_up_reaches_beyond_the_target():
    fit, settings = ring(), BedSettings(ratio=20.0, cut_back_mm=2.0)
    (note,) = bedded(fit, settings).notes  # 22 mm beyond the damage, 20 beyond the rim
    assert note.code == "bed_beyond_target"
    assert "overlap of 12.0 mm ends before the bed does, at 20.0 mm: set overlap to 20 " in note.text
    assert bedded(fit, settings, overlap=20.1).notes == ()
    (note,) = bedded(fit, replace(settings, lap_mm=5.0), overlap=20.1).notes
    assert "overlap of 20.1 mm ends before the lay-up does, at 25.0 mm: set overlap to 25 " in note.text


def test_the_same_input_gives_the_same_bytes():
    one, two = (bedded(patch(spacing=0.4), BedSettings(ratio=15.0)) for _ in range(2))
    assert one.vertices_mm.tobytes() == two.vertices_mm.tobytes()
    assert one.triangles.tobytes() == two.triangles.tobytes()
    assert one.summary == two.summary


def test_a_hole_too_small_for_a_bed_is_refused():
    """A cut of 0.2 mm all round; three damaged points next to each other get a hole once it is cut back."""
    surface = spline_of(cylinder().point, 100.0, 12, 36)
    cut = trusted_fit(surface, gap=(50.0, 50.2))
    with pytest.raises(InputError, match="too small for a bed, cut back by 0 mm: cut it back further"):
        bedded(cut, BedSettings(ratio=10.0))
    few = np.array([[50.0, 1.0], [50.05, 1.0], [50.0, 1.003]])
    nick = trusted_fit(surface, gap=(50.0, 50.05), patch=few)
    assert bedded(nick, BedSettings(ratio=10.0, cut_back_mm=2.0)).summary.hole_length_mm > 3.5
