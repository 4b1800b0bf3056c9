"""The report: every key, honest nulls, a page that stands alone, and a folder that is whole."""

import dataclasses
import html.parser
import json
import re
import sys

import numpy as np
import pytest

import plain_rebuild
from gaploft.errors import InputError
from gaploft.evidence.hand import hand_changes
from gaploft.evidence.model import Halves, Seating
from gaploft.report.numbers import as_dict, as_json
from gaploft.report.outputs import OUTPUT_NAMES, clear_outputs, write_outputs
from gaploft.report.page import as_page
from gaploft.report.pictures import draw_pictures

#: What programs that read the report may rely on.
KEYS = {
    "scan": {"file", "sha256", "unit", "vertices", "faces"},
    "gap": {"length_mm", "diameter_mm", "flank_mm"},
    "fit": {"rms_mm", "noise_mm", "points"},
    "blank_test": {"count", "rms_mm", "p95_mm", "max_mm"},
    "band95_mm": {"median", "max"},
    "seam": {"step_mm", "angle_deg"},
    "halves": {
        "offset_mm",
        "offset_u_mm",
        "angle_deg",
        "angle_u_deg",
        "twist_deg",
        "twist_u_deg",
        "slide_mm",
        "slide_u_mm",
        "significant",
        "not_seen",
        "mode",
        "moved",
        "matrix",
        "after",
    },
    "target": {"file", "facets", "area_mm2", "chord_error_mm", "manifold", "sha256"},
    "seconds": {"read", "tube", "fit", "evidence", "mesh", "write", "total"},
}


def nothing(name):
    raise ValueError(f"{name} is no JSON")


@pytest.mark.parametrize("verdict", ["ready", "check", "refused"])
def test_all_keys_are_always_there(tmp_path, verdict):
    returned = write_outputs(plain_rebuild.rebuild(verdict), tmp_path)
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"), parse_constant=nothing)
    assert report == returned
    assert report["schema"] == 1
    assert report["verdict"] == verdict
    for table, keys in KEYS.items():
        assert keys <= set(report[table])
    assert all(set(warning) == {"code", "text"} for warning in report["warnings"])
    assert report["seconds"]["total"] == pytest.approx(
        sum(value for stage, value in report["seconds"].items() if stage != "total")
    )


def test_numbers_are_those_of_the_rebuild(tmp_path):
    report = write_outputs(plain_rebuild.rebuild(), tmp_path)
    assert report["gap"] == {
        "length_mm": 80.0,
        "diameter_mm": 32.0,
        "flank_mm": [90.0, 85.0],
        "shape_mm": 120.0,
    }
    assert report["halves"]["twist_deg"] is None, "not a number is null in JSON"
    assert report["halves"]["significant"] is False
    assert report["target"]["manifold"] is True
    assert report["target"]["size_mm"] == pytest.approx([32.0, 32.0, 100.0])
    assert report["job"]["depth_below_outer_surface_mm"] == pytest.approx(0.35)
    assert report["seconds"]["fit"] == 1.5
    assert report["seconds"]["write"] > 0.0


def test_refused_early_holds_nulls_and_no_target(tmp_path):
    for name in OUTPUT_NAMES:
        (tmp_path / name).write_text("of an earlier run")
    report = write_outputs(plain_rebuild.rebuild("refused"), tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["report.html", "report.json"]
    assert set(report["target"].values()) == {None}
    none = {"length_mm": None, "diameter_mm": None, "flank_mm": [None, None], "shape_mm": None}
    assert report["gap"] == none


def test_numpy_values_become_plain_ones():
    rebuild = plain_rebuild.rebuild()
    gap = dataclasses.replace(rebuild.evidence.gap, length_mm=np.float64(80.0))
    halves = dataclasses.replace(rebuild.evidence.halves, significant=np.True_)
    rebuild = dataclasses.replace(
        rebuild, evidence=dataclasses.replace(rebuild.evidence, gap=gap, halves=halves)
    )
    report = json.loads(as_json(as_dict(rebuild, None)))
    assert report["gap"]["length_mm"] == 80.0
    assert report["halves"]["significant"] is True


class Page(html.parser.HTMLParser):
    """Collects what a page loads from elsewhere, and its tags."""

    def __init__(self, text):
        super().__init__()
        self.loaded, self.open, self.tags = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.loaded += [value for name, value in attrs if name in ("src", "href")]
        if tag not in ("meta", "img", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.mark.parametrize("verdict", ["ready", "check", "refused"])
def test_page_stands_alone_and_is_well_formed(tmp_path, verdict):
    write_outputs(plain_rebuild.rebuild(verdict), tmp_path)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    page = Page(text)
    assert page.open == []
    assert all(value.startswith("data:image/png;base64,") for value in page.loaded)
    assert len(page.loaded) == (0 if verdict == "refused" else 3)
    assert "script" not in page.tags
    assert not re.search(r"url\(|@import|https?:", text)


def test_page_tells_how_to_move_a_reseated_half(tmp_path):
    rebuild = plain_rebuild.rebuild("check")
    rows = ((1.0, 0.0, 0.0, -0.25), (0.0, 1.0, 0.0, 0.125), (0.0, 0.0, 1.0, 0.0), (0.0, 0.0, 0.0, 1.0))
    halves = Halves(
        0.5,
        0.25,
        significant=True,
        offset_u_mm=0.011,
        angle_u_deg=0.022,
        not_seen=("twist", "slide"),
        mode="reseat",
        moved="from",
        matrix=rows,
        after=Seating(0.004, 0.012, 0.006, 0.023, False),
    )
    seated = dataclasses.replace(rebuild, evidence=dataclasses.replace(rebuild.evidence, halves=halves))
    report = write_outputs(seated, tmp_path)
    assert report["halves"]["matrix"] == [list(row) for row in rows]
    assert report["halves"]["after"]["offset_u_mm"] == 0.012
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    for words in (
        "Re-seating",
        "'from' end",
        "-0.250000",
        "0.004 mm ± 0.012 mm",
        "0.500 mm ± 0.011 mm",
        "– ± –",
    ):
        assert words in text
    assert Page(text).open == []
    write_outputs(rebuild, tmp_path)
    assert "Re-seating" not in (tmp_path / "report.html").read_text(encoding="utf-8")


def with_hand(change):
    """A report of a rebuild whose points were then moved along their normals, and what was found."""
    rebuild = plain_rebuild.rebuild()
    target = rebuild.target
    after = target.vertices_mm + change(target)[:, None] * target.normals
    found = hand_changes(
        target.vertices_mm, after, target.normals, target.band95_mm, target.zone, target.quads
    )
    return as_dict(rebuild, None) | {"hand": dataclasses.asdict(found)}, found


def test_page_tells_what_the_hand_changed():
    report, found = with_hand(lambda target: 0.07 * (target.zone == 1))
    text = as_page(json.loads(as_json(report)), ())
    assert Page(text).open == []
    rows = re.findall(r"<tr><td>(.*?)</td><td class=\"number\">(.*?)</td>", text)
    expected = {
        "Changed area": f"{found.area_mm2:,.1f} mm²",
        "Mean size": "0.070 mm",
        "Lowest and highest": "0.000 and 0.070 mm",
        "Outside the 95 % band": f"{found.outside_band:,}",
        "Step added at the rims": "0.070 mm",
        "Kink added at the rims": f"{found.seam_angle_deg:.2f} °",
        "On the intact overlap": "0.000 mm",
        "Facets turned over": "0",
    } | {f"By more than {size:.2f} mm": f"{area:,.1f} mm²" for size, area in found.area_over}
    assert expected.items() <= dict(rows).items()
    assert found.outside_band > 0
    assert "no longer hold" in text


def test_page_says_that_seams_hold_or_that_nothing_was_changed():
    report, _ = with_hand(lambda target: 0.05 * (np.arange(len(target.zone)) == len(target.zone) // 2))
    assert "the seams still hold" in as_page(report, ())
    report, _ = with_hand(lambda target: 0.0 * target.zone)
    text = as_page(report, ())
    assert "Nothing was changed by hand" in text
    assert Page(text).open == []


def test_page_without_a_check_of_the_hand_does_not_speak_of_it():
    text = as_page(as_dict(plain_rebuild.rebuild(), None), ())
    assert "by hand" not in text


def test_page_says_verdict_unit_layers_warnings_and_cautions(tmp_path):
    write_outputs(plain_rebuild.rebuild("check"), tmp_path)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "scan &lt;1&gt;.stl" in text, "names are escaped"
    assert "not &lt;measured&gt;" in text
    for words in (
        "Check first",
        "target.stl, unit mm",
        "0.100 mm",
        "0.250 mm",
        "0.350 mm",
        "no proof of strength",
        "Dust",
        "± 0.020 mm",
    ):
        assert words in text


def test_without_matplotlib_the_page_has_no_pictures(monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    assert draw_pictures(plain_rebuild.target()) == ()
    assert "<img" not in as_page(as_dict(plain_rebuild.rebuild("refused"), None), ())


def test_pictures_are_the_same_each_time():
    one, two = draw_pictures(plain_rebuild.target()), draw_pictures(plain_rebuild.target())
    assert [picture.png for picture in one] == [picture.png for picture in two]
    assert all(picture.png.startswith(b"\x89PNG") for picture in one)


def test_even_band_and_a_target_without_overlap_can_be_drawn():
    target = plain_rebuild.target()
    target = dataclasses.replace(target, band95_mm=0 * target.band95_mm, zone=np.ones_like(target.zone))
    assert len(draw_pictures(target)) == 3


def test_target_far_from_the_origin_or_torn_is_no_longer_ready(tmp_path):
    far = plain_rebuild.target(shift=(600_000.0, 0.0, 0.0))
    report = write_outputs(plain_rebuild.rebuild(made=far), tmp_path)
    assert report["verdict"] == "check"
    assert report["warnings"][-1]["code"] == "far_from_origin"
    torn = plain_rebuild.target()
    torn = dataclasses.replace(torn, triangles=np.concatenate([torn.triangles, torn.triangles[:1]]))
    report = write_outputs(plain_rebuild.rebuild(made=torn), tmp_path)
    assert report["verdict"] == "check"
    assert report["warnings"][-1]["code"] == "target_not_manifold"
    assert report["target"]["manifold"] is False


@pytest.mark.parametrize(
    "broken", ["outputs.write_ply", "apart.draw_pictures", "outputs.as_page", "outputs.as_json"]
)
def test_whatever_fails_leaves_nothing(tmp_path, monkeypatch, broken):
    def fail(*arguments, **options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(f"gaploft.report.{broken}", fail)
    with pytest.raises(InputError, match="No space left"):
        write_outputs(plain_rebuild.rebuild(), tmp_path / "out")
    assert not list(tmp_path.iterdir())


def test_stopping_while_writing_leaves_nothing(tmp_path):
    def stop(stage, share):
        if share > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_outputs(plain_rebuild.rebuild(), tmp_path / "out", progress=stop)
    assert not list(tmp_path.iterdir())


def test_results_are_not_written_over_the_scan(tmp_path):
    (tmp_path / "target.stl").write_text("the scan")
    with pytest.raises(InputError, match="would be overwritten"):
        write_outputs(plain_rebuild.rebuild(), tmp_path, inputs=[tmp_path / "target.stl"])
    assert (tmp_path / "target.stl").read_text() == "the scan"


def test_only_own_results_are_cleared(tmp_path):
    (tmp_path / "report.html").write_text("of somebody else")
    clear_outputs(tmp_path)
    assert (tmp_path / "report.html").exists()
    write_outputs(plain_rebuild.rebuild(), tmp_path)
    clear_outputs(tmp_path)
    assert not list(tmp_path.iterdir())
    clear_outputs(tmp_path / "none")
