"""The page for people: every figure with its unit, the rule with its limits, and a sheet that prints."""

import dataclasses
import html
import html.parser
import re
from statistics import NormalDist

import pytest

import plain_rebuild
from gaploft.evidence import verdict as limits
from gaploft.evidence.hand import SIZES_MM
from gaploft.evidence.verdict import judge
from gaploft.report.numbers import as_dict
from gaploft.report.page import as_page, sheet_name
from gaploft.report.pictures import Picture
from gaploft.report.rule import rule_lines, rule_text

HOSTILE = '<script>alert("x")</script>&{{ 7 * 7 }}'
#: Written in another way than as digits and unit, or not for people.
NOT_AS_FIGURES = {"schema", "watertight", "manifold", "significant", "seam_holds", "within_tolerance"}


def place(station, angle):
    return {"station_mm": station, "angle_deg": angle, "point_mm": [station + 0.25, -angle, 7.5]}


def ply(number, name=HOSTILE):
    return {
        "name": name,
        "number": number,
        "angle_deg": 45.0,
        "thickness_mm": 0.217 + number / 1000.0,
        "thickness_source": "computed",
        "areal_weight_g_m2": 193.0,
        "fraction": 0.53,
        "length_mm": 91.3 + number,
        "width_mm": 101.7 + number,
        "area_mm2": 8123.0 + number,
        "overlap_mm": 6.4 + number,
        "stretch_most": 0.012 + number / 1000.0,
    }


def sphere(number, residual):
    return {
        "centre_mm": [100.0 + number, -20.5, 30.25],
        "radius_mm": 9.987 + number / 1000.0,
        "nominal_radius_mm": 10.0,
        "rms_mm": 0.013,
        "points": 4321 + number,
        "centre_u_mm": 0.0024,
        "residual_mm": residual,
    }


def full_report():
    """A report with everything that can be asked for; each figure is another one where that is possible."""
    report = as_dict(plain_rebuild.rebuild("check"), None)
    report["scan"] = {**report["scan"], "file": "a_scan_with_a_name_" + 12 * "that_never_ends_" + "<1>.stl"}
    report["target"] = {
        "file": "target.stl",
        "facets": 123_456,
        "area_mm2": 10_053.1,
        "chord_error_mm": 0.0047,
        "manifold": True,
        "sha256": "cd" * 32,
        "rounding_mm": 0.000_004,
        "size_mm": [32.1, 33.2, 100.3],
    }
    report["warnings"] = [
        {
            "code": "band_wide",
            "text": "the 95 % band is up to 0.061 mm wide " + 6 * "and this goes on and on, ",
        },
        {"code": "paint_typed", "text": "paint was typed, " + 120 * "x" + " not <measured>"},
    ]
    report["layers"] = {
        "rows": [
            {"name": "paint", "least_mm": 0.081, "most_mm": 0.124, "source": "6 readings"},
            {"name": "filler", "least_mm": 0.0, "most_mm": 0.0, "source": "typed"},
            {"name": "cover", "least_mm": 0.251, "most_mm": 0.251, "source": "typed"},
        ],
        "outside": "blend",
        "depth_least_mm": 0.332,
        "depth_most_mm": 0.375,
        "trimmed_mm2": 1.7,
    }
    report["wall"] = {
        "least_mm": 1.012,
        "most_mm": 1.423,
        "source": "4 readings",
        "share_allowed": 0.3,
        "share_taken_most": 0.248,
        "left_least_mm": 0.761,
        "left_least_at": place(41.5, 220.0),
        "band_share_most": 0.029,
        "section": {
            "length_mm": 80.4,
            "volume_mm3": 9876.5,
            "outer_area_mm2": 8042.4,
            "inner_area_mm2": 7345.6,
            "watertight": True,
        },
    }
    report["bed"] = {
        "kind": "steps",
        "ratio": None,
        "step_mm": 8.0,
        "cut_back_mm": 2.5,
        "hole_length_mm": 85.2,
        "taper_least_mm": 39.7,
        "taper_most_mm": 40.6,
        "area_mm2": 7777.7,
        "removed_mm3": 4321.9,
        "slope_most_deg": 90.0,
        "reaches_mm": [42.3, 42.8],
        "n_steps": 5,
        "chord_error_mm": 0.0038,
    }
    report["plies"] = {
        "rows": [ply(k + 1) for k in range(7)],
        "count": 7,
        "thickness_mm": 1.547,
        "wall_mm": 1.398,
    }
    report["reach"] = {
        "tool_radius_mm": 6.35,
        "concave_radius_least_mm": 4.12,
        "concave_at": place(12.5, 95.0),
        "unreachable_mm2": 31.4,
        "unreachable_share": 0.0031,
        "left_most_mm": 0.143,
        "left_at": place(13.5, 96.0),
        "beyond_damage_mm": [10.6, 10.9],
        "bed_slope_most_deg": 89.5,
    }
    report["frame"] = "machine frame by fixture spheres"
    report["frame_fit"] = {
        "kind": "spheres",
        "matrix": [
            [0.8, -0.6, 0.0, 123.456789],
            [0.6, 0.8, 0.0, -54.321],
            [0.0, 0.0, 1.0, 10.5],
            [0.0, 0.0, 0.0, 1.0],
        ],
        "residual_most_mm": 0.018,
        "residual_rms_mm": 0.011,
        "spheres": [sphere(1, 0.018), sphere(2, 0.007), sphere(3, None)],
    }
    report["files"] = [
        {"file": "target.stl", "holds": "the target, mm", "sha256": "cd" * 32},
        {"file": f"inner_{HOSTILE}.stl", "holds": "inner surface, mm", "sha256": "ef" * 32},
    ]
    report["stock"] = {
        "surplus_volume_mm3": 2345.6,
        "surplus_max_mm": 1.234,
        "low_max_mm": 0.087,
        "low_area_mm2": 5.6,
        "covered_fraction": 0.973,
        "within_tolerance": False,
        "tolerance_mm": 0.1,
    }
    report["hand"] = {
        "moved_points": 1517,
        "largest_mm": 0.0713,
        "normal_mm": [-0.0125, 0.0692],
        "mean_mm": 0.0231,
        "area_mm2": 456.7,
        "share": 0.0454,
        "area_over": [[size, 400.0 - 1000.0 * size] for size in SIZES_MM],
        "outside_band": 37,
        "beyond_band_mm": 0.0092,
        "seam_step_mm": 0.0034,
        "seam_angle_deg": 0.21,
        "seam_holds": True,
        "overlap_mm": 0.0,
        "folded": 0,
    }
    return report


class Page(html.parser.HTMLParser):
    """Words of a page as they are read, its tags, and what it loads."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.loaded, self.words, self.classes = [], [], [], [], []
        self.feed(text)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.loaded += [value for name, value in attrs if name in ("src", "href", "srcset", "action", "data")]
        self.classes += [name for key, value in attrs if key == "class" for name in value.split()]
        if tag not in ("meta", "img", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "title"):
            self.words.append(data)


def figures_of(value, path=()):
    """Every number of a report with the names that lead to it."""
    if isinstance(value, dict):
        for name, item in value.items():
            yield from figures_of(item, (*path, name))
    elif isinstance(value, list | tuple):
        for item in value:
            yield from figures_of(item, path)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield path, value


def unit_of(path):
    """The unit that a name ends with; none for counts, shares and matrices."""
    name = path[-1] if path[-1] not in ("median", "max", "bound_rms") else path[-2]
    ends = {"_mm": "mm", "_mm2": "mm²", "_mm3": "mm³", "_deg": "°", "_g_m2": "g/m²"}
    return next((unit for end, unit in ends.items() if name.endswith(end)), "")


def written(value, unit):
    """All the ways in which a page may write a number, with four decimals at most and six of a matrix."""
    numbers = [f"{value:,.{digits}f}" for digits in range(7)] + (
        [f"{value:,}"] if isinstance(value, int) else []
    )
    return [f"{number} {unit}".strip() for number in numbers]


def test_every_figure_is_there_with_its_unit():
    report = full_report()
    text = Page(as_page(report, ())).text
    # A range, a size or a point states the unit once, after its last number.
    number = r"[-−]?\d(?:[\d,]*\d)?(?:\.\d+)?"
    shared = re.compile(rf"\(?{number}(?:(?:, | × | and | to ){number})+\)? (mm[²³]?|°)")
    spread = {
        (found.group(1), one) for found in shared.finditer(text) for one in re.findall(number, found.group(0))
    }
    checked = 0
    for path, value in figures_of(report):
        if path[-1] in NOT_AS_FIGURES or (path[0] == "job" and path[-1] in ("paint_mm", "cover_mm")):
            continue
        if path[-1] == "depth_below_outer_surface_mm":
            continue  # the table of layers says it where there is one
        unit = unit_of(path)
        if path[0] == "seconds":
            unit = "s"
        if any(
            name.endswith(("share", "fraction")) or name.startswith(("share", "band_share", "stretch"))
            for name in path[-1:]
        ):
            value, unit = 100.0 * value, "%"
        if path[-1] == "centre_u_mm":
            value *= NormalDist().inv_cdf(0.975)  # half width of 95 %, like the band
        if path[-1] == "area_over":
            ways = written(value, "mm") + written(value, "mm²")
        else:
            ways = written(value, unit)
        if path[-1] == "angle_deg" and "rows" not in path:
            ways += [way.replace(" °", "°") for way in ways]
        alone = any(re.search(rf"(?<![\d.,]){re.escape(way)}(?![\d])", text) for way in ways)
        assert alone or any((unit, way.split(" ")[0]) in spread for way in ways), (path, value, unit)
        checked += 1
    assert checked > 150


def test_page_alone_is_well_formed_and_loads_nothing():
    picture = Picture(b"\x89PNG", "a caption", "wall")
    text = as_page(full_report(), (picture,))
    page = Page(text)
    assert page.open == []
    assert page.loaded == ["data:image/png;base64,iVBORw=="]
    assert not {"script", "link", "iframe", "object", "base", "form"} & set(page.tags)
    assert not re.search(r"url\(|@import|https?:|//[a-z]", text)


@pytest.mark.parametrize("topic", ["evidence", "section", "layers", "wall", "bed", "plies", "reach", "stock"])
def test_each_picture_has_its_place(topic):
    text = as_page(full_report(), (Picture(b"\x89PNG", f"of <{topic}>", topic),))
    assert Page(text).tags.count("img") == 1
    assert f"of &lt;{topic}&gt;" in text


def hostile(value):
    """A report in which every text is an attack, but for those that the page decides by."""
    if isinstance(value, dict):
        kept = {"verdict", "outside", "halves_mode"}
        return {name: item if name in kept else hostile(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [hostile(item) for item in value]
    return HOSTILE if isinstance(value, str) else value


def test_names_are_escaped_wherever_they_stand():
    page = Page(as_page(hostile(full_report()), ()))
    assert page.open == []
    assert "script" not in page.tags
    assert page.text.count(HOSTILE) >= 15
    assert '"x"' not in re.search(r"<style>(.*?)</style>", as_page(hostile(full_report()), ()), re.S).group(1)


def test_only_checksums_get_into_the_style_sheet():
    assert sheet_name("report", "ab" * 32, "cd" * 32) == "Gaploft report · scan abababab · target cdcdcdcd"
    assert sheet_name("report", '"; } body { display: none', None) == "Gaploft report"


@pytest.mark.parametrize("missing", ["hand", "layers", "wall", "bed", "plies", "reach", "frame_fit", "stock"])
def test_what_was_not_asked_for_may_be_none_or_missing(missing):
    report = full_report()
    with_none = as_page({**report, missing: None}, ())
    del report[missing]
    assert as_page(report, ()) == with_none
    assert Page(with_none).open == []
    assert len(with_none) < len(as_page(full_report(), ()))


def test_rule_holds_the_limits_and_they_are_those_that_judge():
    text = rule_text()
    for value in ("0.25 mm", "0.05 mm", "0.02 mm", "0.5°", "0.1 mm", "2.5 times", "10°"):
        assert value in text
    evidence = plain_rebuild.evidence()
    just = 1.001
    cases = {
        "Blank test, 95 % within": {"blank_test": {"p95_mm": just * limits.TOLERANCE_MM}},
        "Band, widest": {"band95_mm": {"max": just * limits.TOLERANCE_MM}},
        "Band, median": {"band95_mm": {"median": just * 5.0 * limits.TOLERANCE_MM}},
        "Step at the rims": {"seam": {"step_mm": just * limits.SEAM_STEP_MM}},
        "Kink at the rims": {"seam": {"angle_deg": just * limits.SEAM_ANGLE_DEG}},
        "Gap against the tube's own waves": {"gap": {"shape_mm": 80.0 / 2.501}},
        "Halves continue each other": {"halves": {"significant": True}},
        "Offset of the halves, standard uncertainty": {"halves": {"offset_u_mm": 0.1001}},
    }
    known = dataclasses.replace(evidence.halves, offset_u_mm=0.01)
    evidence = dataclasses.replace(evidence, halves=known)
    assert set(outcomes(evidence).values()) == {"ready"}
    assert judge(evidence)[0] == "ready"
    for name, changes in cases.items():
        ((part, values),) = changes.items()
        changed = dataclasses.replace(
            evidence, **{part: dataclasses.replace(getattr(evidence, part), **values)}
        )
        off = {line: outcome for line, outcome in outcomes(changed).items() if outcome != "ready"}
        assert off == {name: judge(changed)[0]}, "this line alone, and as the judge has it"


def test_an_unseen_strip_makes_the_widest_band_refuse():
    evidence = plain_rebuild.evidence()
    wide = dataclasses.replace(
        evidence,
        band95_mm=dataclasses.replace(evidence.band95_mm, max=0.26),
        halves=dataclasses.replace(evidence.halves, offset_u_mm=0.01),
    )
    for unseen_deg, expected in ((9.0, "check"), (11.0, "refused")):
        seen = dataclasses.replace(wide, fit=dataclasses.replace(wide.fit, unseen_deg=unseen_deg))
        assert outcomes(seen)["Band, widest"] == judge(seen)[0] == expected


def outcomes(evidence):
    rebuild = dataclasses.replace(plain_rebuild.rebuild(), evidence=evidence)
    return {line.name: line.outcome for line in rule_lines(as_dict(rebuild, None))}


def test_rule_stands_on_the_page_with_what_was_found():
    page = Page(as_page(full_report(), ()))
    assert rule_text() in page.text
    assert "check above 0.05 mm, refused above 0.25 mm" in page.text
    refused = Page(as_page(as_dict(plain_rebuild.rebuild("refused"), None), ()))
    assert rule_text() in refused.text
    assert "What to do first" in refused.text


def test_verdict_and_what_to_do_stand_before_any_figure():
    text = Page(as_page(full_report(), ())).text
    order = (
        "Check first",
        "To look at first",
        "band_wide",
        "Gap",
        "Scan and damage",
        "The rule",
        "Signatures",
    )
    places = [text.index(words) for words in order]
    assert places == sorted(places)


@pytest.mark.parametrize("verdict", ["ready", "check", "refused"])
def test_two_people_can_sign(verdict):
    page = Page(as_page(as_dict(plain_rebuild.rebuild(verdict), None), ()))
    assert page.classes.count("signature") == 2
    for words in ("Made by", "Inspected by"):
        assert words in page.text
    assert page.text.count("Date") == page.text.count("Name") == 2


def test_print_is_told_how():
    style = re.search(r"<style>(.*?)</style>", as_page(full_report(), ()), re.S).group(1)
    assert re.search(r"@page \{ size: A4;", style)
    assert "counter(page)" in style
    assert "break-inside: avoid" in style
    assert "table-header-group" in style
    assert "overflow-wrap: anywhere" in style


def test_readings_of_a_report_without_a_table_of_layers():
    report = full_report()
    report["layers"] = None
    report["job"] = {**report["job"], "paint_mm": [{"value_mm": 0.1}, {"value_mm": 0.12}]}
    assert "2 readings" in Page(as_page(report, ())).text


def test_each_file_has_its_checksum():
    report = full_report()
    text = Page(as_page(report, ())).text
    for file in report["files"]:
        assert f"{file['file']} {file['holds']} {file['sha256']}" in text
    report["files"] = None
    assert "<h2>Files</h2>" not in as_page(report, ())


def test_centres_of_spheres_are_told_within_95_percent():
    report = full_report()
    text = Page(as_page(report, ())).text
    half = NormalDist().inv_cdf(0.975) * report["frame_fit"]["spheres"][0]["centre_u_mm"]
    assert text.count(f"± {half:.3f} mm") >= len(report["frame_fit"]["spheres"])
    assert "Centre, 95 % within" in text
