"""Files, report and pictures of a target without rings."""

import dataclasses
import io
import json
import re

import numpy as np
import pytest
import trimesh
from PIL import Image

import plain_patch
import plain_rebuild
from gaploft.errors import InputError
from gaploft.files.facts import corner_area
from gaploft.files.ply_back import read_ply_back
from gaploft.files.read_back import read_back
from gaploft.report.apart import drawing_apart
from gaploft.report.cautions import CAUTIONS, cautions_for
from gaploft.report.export import Export, write_exports
from gaploft.report.numbers import as_dict
from gaploft.report.outputs import write_outputs
from gaploft.report.page import as_page
from gaploft.report.pictures import ShopArrays, draw_pictures
from gaploft.report.pictures_patch import band_from_rim
from gaploft.report.rule import rule_lines
from gaploft.report.views import WAYS, views_of
from gaploft.target.lay import lay_of

TARGET = plain_patch.saddle(depth_mm=0.3, shift=(10.0, -20.0, 30.0))


def pixels(picture):
    return np.asarray(Image.open(io.BytesIO(picture.png)).convert("RGB"), dtype=float)


# files


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """The folder of a rebuild whose target is the saddle, and its report."""
    folder = tmp_path_factory.mktemp("patch")
    rebuild = plain_rebuild.rebuild(made=TARGET)
    job = dataclasses.replace(rebuild.job, formats=("3mf",))
    return folder, write_outputs(dataclasses.replace(rebuild, job=job), folder)


def test_all_files_hold_the_mesh(written):
    folder, _ = written
    assert sorted(path.name for path in folder.iterdir()) == [
        *("report.html", "report.json", "target.3mf", "target.ply", "target.stl")
    ]
    for name in ("target.stl", "target.ply", "target.3mf"):
        mesh = trimesh.load_mesh(folder / name)
        assert len(mesh.faces) == len(TARGET.triangles)
        assert mesh.area == pytest.approx(corner_area(TARGET.vertices_mm[TARGET.triangles]), rel=1e-6)
        np.testing.assert_allclose(mesh.extents, np.ptp(TARGET.vertices_mm, axis=0), atol=1e-4)
    assert read_back(folder / "target.stl", TARGET).facets == len(TARGET.triangles)
    back = read_ply_back(folder / "target.ply")
    np.testing.assert_array_equal(back.triangles, TARGET.triangles)
    np.testing.assert_allclose(back.column("depth"), 0.3, atol=1e-6)
    np.testing.assert_array_equal(back.column("zone"), TARGET.zone)


def test_numbers_tell_that_it_is_a_patch(written):
    folder, report = written
    assert json.loads((folder / "report.json").read_text(encoding="utf-8")) == report
    assert (report["target"]["kind"], report["target"]["rings"]) == ("patch", None)
    assert report["target"]["manifold"] is True
    tube = write_outputs(plain_rebuild.rebuild(), folder / "tube")
    assert (tube["target"]["kind"], tube["target"]["rings"]) == ("tube", [21, 32])


def test_step_of_a_patch_is_refused_in_one_sentence(tmp_path):
    rebuild = plain_rebuild.rebuild(made=TARGET)
    job = dataclasses.replace(rebuild.job, formats=("step",))
    with pytest.raises(InputError, match="is a patch") as told:
        write_outputs(dataclasses.replace(rebuild, job=job), tmp_path)
    assert "leave STEP out" in str(told.value)
    assert "\n" not in str(told.value)
    assert list(tmp_path.iterdir()) == []


def test_an_export_knows_its_kind(tmp_path):
    report = as_dict(plain_rebuild.rebuild(), None)
    report["target"]["chord_error_mm"] = 0.005
    (done,) = write_exports(tmp_path, [Export("target.stl", TARGET, report)])
    assert done.read_back.facets == len(TARGET.triangles)
    assert json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))["target"]["kind"] == "patch"


# page


def test_page_of_a_patch_speaks_of_no_tube(written):
    folder, _ = written
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert not re.search(r"https?:|<script|<link|url\(", page), "the page stands alone"
    assert page.count("data:image/png;base64,") == 4
    told = re.sub(r"<style>.*?</style>|data:image[^\"]*", "", page, flags=re.DOTALL)
    assert "by a patch" in told
    # the paragraph of the rule is one and the same for all reports
    told = re.sub(r"<p class=\"small\">Refused when.*?</p>", "", told, flags=re.DOTALL)
    for word in ("unrolled", "Halves", "along the tube", "around the tube", "first ring", "tube of", "flank"):
        assert word not in told, word


def test_a_refused_patch_without_ends_has_a_page():
    refused = plain_rebuild.rebuild("refused")
    nowhere = np.full(3, np.nan)
    damage = dataclasses.replace(refused.job.damage, from_mm=nowhere, to_mm=nowhere)
    report = as_dict(dataclasses.replace(refused, job=dataclasses.replace(refused.job, damage=damage)), None)
    assert report["job"]["from_mm"] is None
    page = as_page({**report, "patch": {"use": "always"}}, ())
    assert "by a patch" in page
    assert "'from' end, in the scan" not in page


def test_rule_and_cautions_of_a_patch_leave_halves_out():
    of_patch, of_tube = (as_dict(plain_rebuild.rebuild(made=made), None) for made in (TARGET, None))
    of_patch["target"]["kind"] = "patch"
    names = [{line.name for line in rule_lines(report)} for report in (of_patch, of_tube)]
    assert names[1] - names[0] == {
        "Gap against the tube's own waves",
        "Halves continue each other",
        "Offset of the halves, standard uncertainty",
    }
    assert cautions_for() == CAUTIONS
    changed = [title for title, text in cautions_for(patch=True) if (title, text) not in CAUTIONS]
    assert changed == ["An estimate", "Parts may have moved"]


# views


def hit_first(target, view):
    """Depth of what is hit first in the middles of some pixels, triangle by triangle."""
    lay = lay_of(target.vertices_mm, target.triangles)
    corners = lay.placed(target.vertices_mm)[target.triangles]
    left, right, low, high = view.extent_mm
    rows, columns = view.covered.shape
    row, column = (a.ravel() for a in np.meshgrid(np.arange(3, rows, 11), np.arange(3, columns, 11)))
    x = left + (column + 0.5) * (right - left) / columns
    y = low + (row + 0.5) * (high - low) / rows
    sign = 1.0 if view.title in ("from above", "from the end", "from the other side") else -1.0
    nearest = np.full(len(x), np.nan)
    for corner in corners:
        edges = np.array([corner[:, view.right], corner[:, view.up], np.ones(3)])
        if abs(np.linalg.det(edges)) < 1e-9:
            continue
        shares = np.linalg.solve(edges, np.array([x, y, np.ones_like(x)]))
        depth = np.where(
            (shares >= 0.0).all(axis=0), sign * corner[:, 3 - view.right - view.up] @ shares, np.nan
        )
        nearest = np.fmax(nearest, depth)
    return row, column, nearest


@pytest.mark.parametrize("number", range(3))
def test_views_show_what_stands_in_front(number):
    """Against the first hits of rays; what a pixel shows lies within half a pixel of its middle or so."""
    view = views_of(TARGET.vertices_mm, TARGET.triangles).views[number]
    row, column, expected = hit_first(TARGET, view)
    found = view.depth_mm[row, column]
    both = np.isfinite(expected) & np.isfinite(found)
    assert both.sum() > 20
    # only pixels on the outline may be seen by one alone
    assert (np.isfinite(expected) != np.isfinite(found)).mean() < 0.05
    inner = both & ~view.edges[row, column]
    pixel = (view.extent_mm[1] - view.extent_mm[0]) / view.covered.shape[1]
    # the saddle is no steeper than 1.2, seen from the side the foreshortened sheet is
    assert np.quantile(np.abs(found - expected)[inner], 0.9) < (1.5 if number == 0 else 8.0) * pixel


def test_values_in_a_view_are_those_of_the_surface():
    """A value that is a coordinate has to be where that coordinate is."""
    views = views_of(TARGET.vertices_mm, TARGET.triangles)
    placed = views.lay.placed(TARGET.vertices_mm)
    for view in views.views:
        left, right, _, _ = view.extent_mm
        columns = view.covered.shape[1]
        expected = left + (np.arange(columns) + 0.5) * (right - left) / columns
        off = np.abs(view.shown(placed[:, view.right]) - expected)
        assert np.nanmax(off) < 0.51 * (right - left) / columns
        assert np.isnan(off[~view.covered]).all()
        zone = view.nearest(TARGET.zone)
        assert set(zone[view.covered]) <= {0.0, 1.0}


def test_a_bowl_is_seen_from_three_sides_and_a_ring_from_six():
    cap, tube = plain_patch.cap(), plain_rebuild.target()
    assert [v.title for v in views_of(cap.vertices_mm, cap.triangles).views] == [
        *("from above", "from the side", "from the end")
    ]
    views = views_of(tube.vertices_mm * [1.0, 1.0, 0.2], tube.triangles)
    assert len(views.views) == 6
    for view in views.views:
        turn = np.zeros((3, 3))
        turn[[0, 1, 2], [view.right, view.up, 3 - view.right - view.up]] = 1.0
        assert view.extent_mm[1] - view.extent_mm[0] == pytest.approx(views.lay.spans_mm[view.right], abs=0.5)
    assert sum(view.mirrored for view in views.views) == 3


# pictures


@pytest.fixture(scope="module")
def pictures():
    return draw_pictures(TARGET)


def test_pictures_of_a_patch(pictures):
    assert [picture.topic for picture in pictures] == ["evidence", "evidence", "evidence", "section"]
    for picture in pictures:
        high, wide = pixels(picture).shape[:2]
        # 180 mm of an A4 sheet at 120 to 200 points an inch; three of them on one sheet
        assert 850 <= wide <= 1417
        assert high < 0.5 * wide
        assert "unrolled" not in picture.caption


def test_captions_state_areas_limits_and_where(pictures):
    zones, band, rim, cut = pictures
    for name in WAYS:
        assert f"{name} is (" in zones.caption
    lay = lay_of(TARGET.vertices_mm, TARGET.triangles)
    numbers = re.search(r"counted from \(([-\d., ]+)\) mm", zones.caption)[1]
    np.testing.assert_allclose([float(x) for x in numbers.split(",")], lay.middle_mm, atol=0.051)
    assert "from three sides: 0.010 to 0.040 mm, colours from 0.000 to 0.050 mm" in band.caption
    at = TARGET.vertices_mm[TARGET.band95_mm.argmax()]
    assert "Most at ({:.1f}, {:.1f}, {:.1f}) mm".format(*at) in band.caption
    assert "distance from its rim" in rim.caption
    # 0.3 mm are at most 0.15 of half the patch's width of 30 mm when drawn 5 times as large
    assert "5 times as large" in cut.caption


def test_uneven_layers_wall_and_reach_get_views_too():
    uneven = dataclasses.replace(TARGET, depth_mm=0.3 + 0.1 * np.sin(TARGET.vertices_mm[:, 0]))
    n = len(TARGET.vertices_mm)
    shop = ShopArrays(
        left_mm=np.linspace(0.5, 1.0, n),
        reach_left_mm=np.linspace(0.0, 0.2, n),
        inner_mm=uneven.outer_mm - 1.5 * uneven.normals,
    )
    drawn = draw_pictures(uneven, shop)
    assert [picture.topic for picture in drawn[4:]] == ["layers", "wall", "reach"]
    assert "darkest where least" in drawn[5].caption
    assert "Least at" in drawn[5].caption
    assert "drawn true" in drawn[3].caption, "1.5 mm of wall"


def test_pictures_change_with_what_they_show(pictures):
    changes = {
        "band95_mm": TARGET.band95_mm * 1.1,
        "zone": (TARGET.vertices_mm[:, 0] > 12.0).astype(np.uint8),
        "depth_mm": TARGET.depth_mm + 0.2,
    }
    differs = {"band95_mm": {1, 2, 3}, "zone": {0, 1, 2, 3}, "depth_mm": {3}}
    for name, values in changes.items():
        drawn = draw_pictures(dataclasses.replace(TARGET, **{name: values}))
        found = {
            k for k, (one, other) in enumerate(zip(pictures, drawn, strict=True)) if one.png != other.png
        }
        assert found == differs[name], name


def test_the_band_is_told_from_the_rim_inwards():
    """On a cap the band falls by 0.04/15 for each millimetre from the pole."""
    target = plain_patch.cap(0.4)
    away, middle, most = band_from_rim(target)
    assert (np.diff(away) > 0.0).all()
    assert away[0] < 0.1
    assert away[-1] == pytest.approx(plain_patch.HOLE_MM, abs=1.0)
    # the ragged rim lies up to a facet within the hole; distances are chords
    expected = 0.05 - 0.04 * (plain_patch.HOLE_MM - away) / plain_patch.CAP_MM
    np.testing.assert_allclose(middle, expected, atol=0.04 / plain_patch.CAP_MM * 0.6)
    assert (most >= middle).all()
    assert [len(part) for part in band_from_rim(dataclasses.replace(target, zone=0 * target.zone))] == [0] * 3


def test_a_patch_all_round_and_one_without_overlap_are_drawn():
    tube = plain_rebuild.target()
    ring = dataclasses.replace(
        tube,
        vertices_mm=tube.vertices_mm * [1.0, 1.0, 0.3],
        quads=np.empty((0, 4), dtype=np.int32),
        shape=(0, 0),
    )
    zones, _, _, cut = draw_pictures(ring)
    assert "from all six sides" in zones.caption
    assert "square to both" in cut.caption
    whole = dataclasses.replace(TARGET, zone=np.ones_like(TARGET.zone))
    assert len(draw_pictures(whole)) == 4
    flat = plain_patch.disc(10.0, 6.0, 1.0)
    level = plain_patch.target(
        np.column_stack([flat[0], np.zeros(len(flat[0]))]),
        np.tile([0.0, 0.0, 1.0], (len(flat[0]), 1)),
        flat[1],
        np.hypot(*flat[0].T) < 3.0,
    )
    assert len(draw_pictures(level)) == 4, "a flat one"


def test_another_process_draws_the_same(pictures):
    with drawing_apart() as draw:
        assert draw(TARGET)() == pictures
