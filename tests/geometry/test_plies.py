"""Plies: thickness against handbooks, and how far each reaches on tubes that are formulas."""

import json
from dataclasses import asdict, replace

import numpy as np
import pytest

from closed_surfaces import cylinder, spline_of, torus
from gaploft.errors import InputError
from gaploft.job import BedSettings, Ply, Reading
from gaploft.laminate.plies import cured_thickness_mm, lay_plies
from gaploft.target.places import Places
from walled import bedded, even_disc, trusted_fit, walled

R = 16.0
CYLINDER = spline_of(cylinder(R).point, 120.0, 8, 24)
BENT = spline_of(torus(400.0, R).point, 120.0, 8, 32)
FOUR = (Ply("cloth", 4, thickness_mm=0.25),)


def ring(surface=CYLINDER, gap=(50.0, 70.0)):
    return trusted_fit(surface, gap=gap)


def patch(surface=CYLINDER, radius=8.0, at=(60.0, 1.0), spacing=0.2):
    places = even_disc(radius, spacing) / [1.0, R] + at
    return trusted_fit(surface, gap=(at[0] - radius, at[0] + radius), patch=places)


def laid(fit, thickness=1.0, *, plies=FOUR, paint=0.0, **settings):
    settings = BedSettings(plies=plies, **settings)
    bed = bedded(fit, settings, thickness, paint_mm=paint)
    return lay_plies(fit, settings, bed, Places(fit.surface, fit.outline.gap_mm[0]))


@pytest.mark.parametrize(
    ("weight", "fraction", "expected"),
    [
        (200.0, 0.45, 0.2525),
        (200.0, 0.50, 0.2273),
        (200.0, 0.55, 0.2066),
        (200.0, 0.60, 0.1894),
        (245.0, 0.45, 0.3093),
        (245.0, 0.50, 0.2784),
        (245.0, 0.55, 0.2531),
        (245.0, 0.60, 0.2320),
        (160.0, 0.45, 0.2020),
        (160.0, 0.50, 0.1818),
        (160.0, 0.55, 0.1653),
        (160.0, 0.60, 0.1515),
    ],
)
def test_a_ply_is_as_thick_as_its_weight_and_fraction_make_it(weight, fraction, expected):
    """A/(density x fraction), the rule of lecture notes and of a guide to composites (both seen); the table
    was worked out from it by hand, for carbon of 1.76 g/cm3."""
    assert cured_thickness_mm(Ply("cloth", 1, weight, 1.76, fraction)) == pytest.approx(expected, abs=5.1e-5)


def test_a_worked_example_of_a_prepreg():
    """225 g/m2 in all, fibre mass fraction 0.6778, fibre 1.79, resin 1.25 g/cm3: 0.143 mm (seen in lecture
    notes); from the two volumes it is 0.1431943."""
    fibre, resin = 225.0 * 0.6778, 225.0 * (1.0 - 0.6778)
    volumes = fibre / 1.79, resin / 1.25
    fraction = volumes[0] / sum(volumes)
    assert fraction == pytest.approx(0.5949839, abs=1e-7)
    found = cured_thickness_mm(Ply("prepreg", 1, fibre, 1.79, fraction))
    assert found == pytest.approx(0.1431943, abs=1e-7)
    assert found == pytest.approx(0.143, abs=5e-4)


def test_a_plain_weave_of_a_public_data_base():
    """193 g/m2 plain weave with 36 % of resin by weight (the grade is that of report NCP-RP-2008-003): fibre
    1.76 and resin 1.2 make it 0.200 mm; the handbook's nominal 0.0079 in = 0.2007 mm is from memory."""
    fraction = (0.64 / 1.76) / (0.64 / 1.76 + 0.36 / 1.2)
    assert fraction == pytest.approx(0.548, abs=5e-4)
    found = cured_thickness_mm(Ply("plain", 1, 193.0, 1.76, fraction))
    assert found == pytest.approx(0.200, abs=5e-4)
    assert found == pytest.approx(0.2007, rel=0.01)


def test_a_measured_thickness_goes_before_a_computed_one():
    assert cured_thickness_mm(Ply("cloth", 1, 200.0, 1.76, 0.5, thickness_mm=0.26)) == 0.26


def test_a_ply_without_a_thickness_is_a_wrong_call():
    with pytest.raises(ValueError, match="no measured thickness"):
        cured_thickness_mm(Ply("cloth", 1, 200.0))


def test_by_ratio_each_ply_reaches_where_the_bed_comes_up_to_its_upper_face():
    """20:1 and 0.25 mm: 5 mm a ply. At the depth of its middle a ring is 2 pi (R - depth) wide."""
    book = laid(ring(), ratio=20.0, cut_back_mm=1.0, lap_mm=6.0, paint=0.1)
    rows = book.summary.rows
    beyond = np.array([5.0, 10.0, 15.0, 26.0])
    depth = 0.1 + np.array([0.875, 0.625, 0.375, 0.125])
    lengths, widths = 22.0 + 2 * beyond, 2 * np.pi * (R - depth)
    assert [row.length_mm for row in rows] == pytest.approx(lengths, abs=0.01)
    assert [row.width_mm for row in rows] == pytest.approx(widths, abs=0.01)
    assert [row.area_mm2 for row in rows] == pytest.approx(lengths * widths, rel=1e-3)
    assert [row.overlap_mm for row in rows] == pytest.approx([5.0, 5.0, 5.0, 11.0], abs=1e-6)
    assert [row.beyond_hole_mm for row in rows] == pytest.approx(beyond, abs=1e-6)
    assert max(row.stretch_most for row in rows) < 1e-5
    assert [row.number for row in rows] == [1, 2, 3, 4]
    assert (book.summary.count, book.summary.thickness_mm) == (4, 1.0)
    assert book.summary.wall_mm == pytest.approx(1.0, abs=1e-9)
    assert book.summary.seam_angle_deg == pytest.approx(180.0, abs=0.01)
    assert book.notes == ()
    assert json.loads(json.dumps(asdict(book.summary)))["rows"][3]["overlap_mm"] == pytest.approx(11.0)


def test_by_steps_the_innermost_fills_the_hole_and_each_other_covers_a_terrace():
    book = laid(ring(), step_mm=8.0, lap_mm=4.0, paint=0.1)
    rows = book.summary.rows
    depth = 0.1 + np.array([0.875, 0.625, 0.375, 0.125])
    assert [row.length_mm for row in rows] == pytest.approx([20.0, 36.0, 52.0, 76.0], abs=0.01)
    assert [row.width_mm for row in rows] == pytest.approx(2 * np.pi * (R - depth), abs=0.01)
    assert [row.overlap_mm for row in rows] == pytest.approx([0.0, 8.0, 8.0, 12.0])
    assert book.summary.wall_mm == pytest.approx(1.0, abs=1e-9)


def test_plies_over_a_hole_in_one_side_are_discs():
    """A disc drawn on the unrolled cylinder: its edge lies one spacing outside the points (0.2 mm). Distances
    are measured on the laminate's surface, the ply lies further in: around the tube it is smaller by that."""
    book = laid(patch(), ratio=20.0)
    radius = 8.2 + np.array([5.0, 10.0, 15.0, 20.0])
    depth = np.array([0.875, 0.625, 0.375, 0.125])
    rows = book.summary.rows
    # Damaged points 0.2 mm apart say where the edge is to some tenth of that.
    assert [row.length_mm for row in rows] == pytest.approx(2 * radius, abs=0.05)
    assert [row.width_mm for row in rows] == pytest.approx(2 * radius * (1 - depth / R), abs=0.05)
    assert [row.area_mm2 for row in rows] == pytest.approx(np.pi * radius**2 * (1 - depth / R), rel=5e-3)
    assert [row.overlap_mm for row in rows] == pytest.approx([5.0] * 4, abs=1e-6)
    assert all(len(pieces) == 1 and len(pieces[0].seams_mm) == 0 for pieces in book.pieces)


def test_a_wall_that_varies_moves_only_the_outermost_edge():
    """The bed comes up at the same rate everywhere and meets the laminate later where the wall is thicker."""
    readings = tuple(Reading(t, station_mm=s) for s, t in ((-30.0, 1.0), (50.0, 1.2)))
    rows = laid(ring(), readings, ratio=20.0).summary.rows
    assert [row.beyond_hole_mm for row in rows[:3]] == pytest.approx([5.0, 10.0, 15.0], abs=1e-6)
    # The pattern is a slightly bowed sector, as of a cone: its mean length is its area over the way around at
    # the middle of the hole, u = 60.
    wall = float(walled(ring(), readings)[3].over(np.array(60.0), np.array(0.0)))
    radii = R - wall + np.array([0.125, 0.375, 0.625, 0.875])
    means = np.array([row.area_mm2 for row in rows]) / (2 * np.pi * radii)
    assert means[:3] == pytest.approx([30.0, 40.0, 50.0], rel=1e-3)
    bed = bedded(ring(), BedSettings(ratio=20.0), readings).summary
    assert bed.taper_most_mm > bed.taper_least_mm + 1.0
    assert rows[3].beyond_hole_mm == pytest.approx(bed.taper_least_mm, abs=0.02)
    assert means[3] == pytest.approx(20.0 + bed.taper_least_mm + bed.taper_most_mm, rel=1e-3)


@pytest.mark.parametrize(("count", "code"), [(3, "plies_thin"), (4, None), (5, "plies_thick")])
def test_plies_that_do_not_fill_the_wall_are_told_of(count, code):
    """A tenth in fibre fraction is a tenth in thickness; three quarters and five quarters are more."""
    notes = laid(ring(), plies=(Ply("cloth", count, thickness_mm=0.25),), ratio=20.0).notes
    assert [note.code for note in notes] == ([] if code is None else [code])
    assert all("25%" in note.text and "1.00 mm" in note.text for note in notes)


def test_published_overlaps_stand_beside_the_plies():
    """50 times the thickness of the face ply by AC 43.13-1B par. 3-2, about 12.5 mm by a public guide."""
    published = laid(ring(), ratio=20.0).summary.published
    assert [each.overlap_mm for each in published] == pytest.approx([12.5, 12.5])
    # 12.7 mm a ply of 0.22 mm is a ratio of 58.
    row = laid(ring(), 0.44, plies=(Ply("cloth", 2, thickness_mm=0.22),), ratio=12.7 / 0.22).summary.rows[0]
    assert row.overlap_mm == pytest.approx(12.7, abs=1e-6)


def test_on_a_bend_the_stretch_is_told():
    rows = laid(ring(BENT), ratio=20.0).summary.rows
    assert all(1e-4 < row.stretch_most < R / 400.0 for row in rows)
    assert rows[0].stretch_most < rows[-1].stretch_most


def test_a_lap_onto_tube_that_is_not_known_is_refused():
    """5 mm at each end of the 120 mm are not trusted, and the bed ends 30 mm from either end."""
    with pytest.raises(InputError, match=r"reaches 5\.0 mm beyond the tube .* give a smaller lap"):
        laid(ring(), ratio=20.0, lap_mm=30.0)


def test_a_ply_that_goes_around_is_cut_open_opposite_to_the_damage():
    """A disc of 18.2 mm on a tube of radius 5: cut off at half the way around it, b = 5 pi, its area is
    2 (b sqrt(r^2 - b^2) + r^2 asin(b/r)). Points 0.2 mm apart, hence 3.2 mm of hole, 12 of bed, 3 of lap."""
    small = spline_of(cylinder(5.0).point, 120.0, 8, 24)
    places = even_disc(3.0, 0.2) / [1.0, 5.0] + [60.0, 1.0]
    fit = trusted_fit(small, gap=(57.0, 63.0), patch=places)
    book = laid(fit, ratio=12.0, lap_mm=3.0)
    r, b = 18.2, 5.0 * np.pi
    area = 2.0 * (b * np.sqrt(r**2 - b**2) + r**2 * np.arcsin(b / r))
    row, (piece,) = book.summary.rows[-1], book.pieces[-1]
    assert row.width_mm == pytest.approx(2 * np.pi * 4.875, abs=0.01)
    assert row.area_mm2 == pytest.approx(area * 4.875 / 5.0, rel=2e-3)
    assert len(piece.outlines_mm) == 1
    seams = np.linalg.norm(np.diff(piece.seams_mm, axis=1)[:, 0], axis=1).sum()
    assert seams == pytest.approx(4.0 * np.sqrt(r**2 - b**2), abs=0.1)
    assert [len(pieces[0].seams_mm) for pieces in book.pieces[:3]] == [0, 0, 0]


def test_a_hole_too_small_to_cut_cloth_for_is_refused():
    """The hole of 20 mm drawn in to 0.02 mm, which lies between two places of the grid."""
    settings = BedSettings(step_mm=8.0, plies=FOUR)
    fit = ring()
    bed = bedded(fit, settings)
    summary = replace(bed.summary, hole_length_mm=0.02)
    narrow = replace(bed, hole=replace(bed.hole, line_mm=-9.99), summary=summary)
    with pytest.raises(InputError, match=r"the hole is 0\.0 mm long, .* cut back more"):
        lay_plies(fit, settings, narrow, Places(fit.surface, 50.0))


def test_no_plies_are_a_wrong_call():
    fit = ring()
    bed = bedded(fit, BedSettings(ratio=20.0))
    with pytest.raises(ValueError, match="no plies"):
        lay_plies(fit, BedSettings(ratio=20.0), bed, Places(fit.surface, 50.0))
