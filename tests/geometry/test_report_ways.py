"""Where the shape comes from, in the report: figures, page and maps of ways that were made by hand."""

import dataclasses
import html.parser
import io
import json
import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

import plain_rebuild
from closed_surfaces import SHAPES, spline_of
from gaploft.donor.correct import Correction
from gaploft.donor.model import PlacedFit
from gaploft.job import Layers
from gaploft.job_sources import DonorSettings, MirrorSettings, Region, ShelfSettings, WaySettings
from gaploft.report import apart
from gaploft.report.arrays import shop_arrays
from gaploft.report.colours import signed_scale
from gaploft.report.model import Shop, Stages
from gaploft.report.numbers import as_dict, as_json
from gaploft.report.page import as_page
from gaploft.report.pictures import draw_pictures
from gaploft.report.shop_pictures import SignedMap
from gaploft.report.ways_pictures import ENDS_MM, end_of_scale
from gaploft.report.ways_words import ways_shown
from gaploft.scan.model import Note
from gaploft.target.places import Places
from gaploft.ways.choose import rule_of_ways
from gaploft.ways.model import Compared, Difference, MirrorFound, ShelfCandidate, ShelfFound, Way
from laid_layers import cut, fit_of, laid, round_patch

HEADING = "Where the shape comes from"
HOSTILE = '<script>alert("x")</script>&{{ 7 * 7 }}.tube'
IDENTITY = tuple(tuple(float(i == k) for k in range(4)) for i in range(4))
PLACED = PlacedFit(IDENTITY, True, 0.0213, 0.0247, 0.876, (61.2, 73.4), 0.0041, 0.0052, 0.613, 0.0719)
OPEN = dataclasses.replace(PLACED, twist_u_deg=None, slide_u_mm=0.151, free=("twist", "slide"), other_ways=3)
AT, V = np.linspace(40.0, 60.0, 41), np.arange(72) * (2 * np.pi / 72)


def judged(p95, median, most=0.047):
    evidence = plain_rebuild.evidence()
    return SimpleNamespace(
        evidence=dataclasses.replace(
            evidence,
            blank_test=dataclasses.replace(evidence.blank_test, p95_mm=p95),
            band95_mm=dataclasses.replace(evidence.band95_mm, median=median, max=most),
            seam=dataclasses.replace(evidence.seam, step_mm=0.0123, angle_deg=0.34),
        )
    )


def correction(most, rms):
    return Correction(AT, np.full((len(AT), 72), most), most, rms)


LOFT = Way("loft", judged=judged(0.0312, 0.0413), verdict="check", notes=(Note("band_wide", "a wide band"),))
DONOR = Way(
    "donor",
    "spare <7>.stl",
    placed=OPEN,
    limit_mm=0.5,
    judged=judged(0.0161, 0.0194),
    correction=correction(0.0592, 0.0481),
    verdict="ready",
    notes=(Note("donor_free", "said in other words"),),
)
TOO_FAR = "the opposite side had to be changed by 0.83 mm to meet both flanks: use another way"
MIRROR = Way(
    "mirror",
    "opposite side of the scan",
    placed=PLACED,
    limit_mm=0.5,
    mirror=MirrorFound((1.5, -2.25, 3.75), (0.6, 0.8, 0.0), False, 0.0834, 0.713, 0.417, 0.1319, 0.0291),
    judged=judged(0.0221, 0.0232),
    correction=correction(0.8312, 0.2345),
    refused=TOO_FAR,
    notes=(Note("seam_kink", "a kink at the rims"), Note("donor_too_far", TOO_FAR)),
)
SHELF = Way(
    "shelf",
    "top tube L",
    placed=dataclasses.replace(PLACED, marked=True, free=("twist",), reversed=False),
    limit_mm=0.7,
    shelf=ShelfFound(
        (
            ShelfCandidate("top tube L", "tl.tube", 0.0333, True),
            ShelfCandidate(HOSTILE, "x.tube", 0.4444, False),
        ),
        17,
        4,
        ((HOSTILE, f"{HOSTILE} is no stored tube"), ("torn.tube", "it ends early")),
    ),
    judged=judged(0.0251, 0.0262),
    correction=correction(0.1212, 0.0617),
    verdict="ready",
)


def difference(first, second, rms, most):
    return Difference(first, second, AT, np.full((len(AT), 72), most), most, rms)


ALL = Compared(
    (LOFT, DONOR, MIRROR, SHELF),
    "donor",
    "donor",
    (difference("donor", "loft", 0.0252, 0.0586), difference("donor", "shelf", 0.0357, 0.0791)),
)
SETTINGS = WaySettings(
    donor=DonorSettings(mirrored=True, near_mm=(1.0, 2.0, 3.0), mark_mm=((1.0, 2.0, 3.0), (4.0, 5.0, 6.0))),
    mirror=MirrorSettings(plane_mm=((0.0, 0.0, 0.0), (1.0, 0.0, 0.0))),
    shelf=ShelfSettings(Path("somewhere") / "our shelf", limit_mm=0.7, save_as="as new"),
)


def rebuilt(compared, settings=SETTINGS, verdict="ready"):
    plain = plain_rebuild.rebuild(verdict)
    job = dataclasses.replace(plain.job, ways=settings)
    return dataclasses.replace(
        plain, job=job, stages=Stages(job, plain.source, (), tube=None, compared=compared)
    )


def report_of(compared, settings=SETTINGS, verdict="ready"):
    return as_dict(rebuilt(compared, settings, verdict), None)


class Page(html.parser.HTMLParser):
    """Words, tags and cells of a page."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.words, self.rows = [], [], [], []
        self.feed(text)
        self.text = " ".join(" ".join(self.words).split())
        self.section = self.text[self.text.find(HEADING, self.text.find("Scan and damage")) :]
        self.section = self.section[: self.section.find("How far to trust it")]

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        if tag not in ("meta", "img", "br"):
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th") and self.rows:
            self.rows[-1].append("")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "title"):
            self.words.append(data)
            if self.rows and self.open[-1] in ("td", "th"):
                self.rows[-1][-1] += data

    def row(self, name):
        return next(row[1:] for row in self.rows if row and row[0] == name)


def page_of(compared, settings=SETTINGS, verdict="ready"):
    return Page(as_page(report_of(compared, settings, verdict), ()))


@pytest.fixture(scope="module")
def every():
    return page_of(ALL)


def test_all_ways_stand_side_by_side(every):
    assert every.open == []
    expected = {
        "Role": ["–", "used, recommended", "–", "–"],
        "Verdict": ["! check", "✓ ready", "✕ refused", "✓ ready"],
        "Blank test, 95 % within": ["0.031 mm", "0.016 mm", "0.022 mm", "0.025 mm"],
        "95 % band ±, median": ["0.041 mm", "0.019 mm", "0.023 mm", "0.026 mm"],
        "95 % band ±, largest": ["0.047 mm"] * 4,
        "Figure that the rule compares": ["0.041 mm", "0.019 mm", "0.023 mm", "0.026 mm"],
        "Step at the rims": ["0.012 mm"] * 4,
        "Kink at the rims": ["0.34 °"] * 4,
        "Intact stretch off it, robust": ["–", "0.021 mm", "0.021 mm", "0.021 mm"],
        "Correction, root mean square": ["–", "0.048 mm", "0.234 mm", "0.062 mm"],
        "Limit of the correction": ["–", "0.500 mm", "0.500 mm", "0.700 mm"],
    }
    for name, cells in expected.items():
        assert every.row(name) == cells, name
    assert every.row("Spare section and loft from the flanks") == ["0.025 mm and 0.059 mm"]
    assert every.row("Spare section and tube from the shelf") == ["0.036 mm and 0.079 mm"]
    assert rule_of_ways() in every.section
    assert (
        "takes its shape from this way: spare section, spare <7>.stl. This is the way that the rule"
        in every.section
    )
    assert "As good as it is the same part." in every.section


def test_placement_is_told_in_words(every):
    for words in (
        "61.2 mm and 73.4 mm of intact tube at the 'from' and the 'to' end, and is 0.021 mm off it",
        "by 87.6 % of its points; it was mirrored and turned end for end.",
        "0.004 mm sideways, 0.005° between the axes and 0.151 mm along it",
        "does not show how it is turned about the axis and hardly shows how far along the tube it lies: "
        "the damage looks the same wherever it lies.",
        "3 more places fit as well",
        "The intact stretch alone shows how it is turned and how far along it lies.",
        "0.613° about the axis and 0.072 mm along it",
        "hardly shows how it is turned about the axis: your mark decided.",
    ):
        assert words in every.section, words
    assert "said in other words" not in every.text, "the note of a free donor says the same"


def test_mirror_and_refusal_are_told(every):
    for words in (
        "Mirror plane through (1.50, -2.25, 3.75) mm of the scan, normal (0.60000, 0.80000, 0.00000)",
        "71.3 % of it fit, 0.083 mm apart",
        "the broken tube lies 0.417 mm and 0.132° from the mirror image",
        "0.029 mm of difference in shape",
        f"Refused: {TOO_FAR}.",
        "A kink at the rims.",
    ):
        assert words in every.section, words
    assert every.section.count(TOO_FAR) == 1, "once, though its notes end with it, too"
    given = dataclasses.replace(MIRROR.mirror, given=True, rms_mm=None, share=None)
    page = page_of(Compared((LOFT, dataclasses.replace(MIRROR, mirror=given)), "loft", "loft"))
    assert "as given in the job" in page.section


def test_shelf_is_ranked_and_its_skipped_files_are_named(every):
    assert "17 tubes on the shelf searched, 4 of them too short for this damage." in every.section
    assert every.row("1. top tube L") == ["tl.tube", "0.033 mm", "mirrored"]
    assert every.row(f"2. {HOSTILE}") == ["x.tube", "0.444 mm", "as it is"]
    assert every.row(HOSTILE) == [f"{HOSTILE} is no stored tube"]
    assert every.row("torn.tube") == ["it ends early"]
    assert "script" not in every.tags


def test_nothing_on_the_shelf_fits():
    none = Way(
        "shelf", shelf=ShelfFound((), 1, 0, ()), refused="none of the 1 tubes on the shelf fits this one"
    )
    page = page_of(Compared((LOFT, none), "loft", "loft"))
    assert "1 tube on the shelf searched." in page.section
    assert "Nothing on the shelf fits." in page.section
    assert page.row("Verdict") == ["! check", "✕ refused"]
    assert page.row("Blank test, 95 % within") == ["0.031 mm", "–"]
    assert "best first" not in page.section


def test_another_way_than_the_recommended_one_is_said_twice_and_clearly():
    page = page_of(dataclasses.replace(ALL, used="loft"))
    words = "The rule recommends another way: the spare section, not the loft from the flanks"
    assert page.text.count(words) == 2
    assert page.text.index(words) < page.text.index("Scan and damage"), "among what is to be looked at first"
    assert "(the figure that it compares is 0.019 mm against 0.041 mm)" in page.section
    assert 'use = "donor" or "best" below [source]' in page.section
    assert page.row("Role") == ["used", "recommended", "–", "–"]
    assert "recommends another way" not in page_of(ALL).text


def test_a_refused_way_that_should_have_been_used():
    page = page_of(dataclasses.replace(ALL, used="mirror", differences=()), verdict="refused")
    assert "was to come from the opposite side of the scan, which was refused" in page.text
    nothing = Compared(
        (dataclasses.replace(LOFT, verdict="refused", refused="too long"), MIRROR), "mirror", None
    )
    page = page_of(nothing, verdict="refused")
    assert page.text.count("The rule recommends none of these ways") == 2
    assert "Refused: too long." in page.text


def test_correction_beyond_its_limit_stands_out():
    text = as_page(report_of(ALL), ())
    assert '<td class="number worse">0.831 mm</td>' in text
    assert '<td class="number">0.121 mm</td>' in text


def test_regions_are_named():
    settings = dataclasses.replace(SETTINGS, regions=(Region(10.0, 42.5, "loft"), Region(0.0, 5.0, "donor")))
    page = page_of(dataclasses.replace(ALL, mixed=("loft",)), settings)
    assert "from station 10.0 to 42.5 mm from the loft from the flanks, with a smooth way" in page.section
    assert "0.0 to 5.0" not in page.section


@pytest.mark.parametrize("compared", [None, Compared((LOFT,), "loft", "loft")])
def test_no_such_section_for_the_loft_alone(compared):
    report = report_of(compared, WaySettings())
    assert HEADING not in as_page(report, ())
    assert ways_shown(report) is None
    del report["source"]
    assert HEADING not in as_page(report, ()), "reports of before know no ways"


def numbers_of(value):
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        return [number for item in value for number in numbers_of(item)]
    return [value] if isinstance(value, float) else []


def test_json_is_plain_and_finite():
    endless = dataclasses.replace(DONOR, limit_mm=float("inf"))
    bare = Way("mirror", refused="no plane")
    report = report_of(dataclasses.replace(ALL, ways=(LOFT, endless, bare, SHELF)))
    read = json.loads(as_json(report))
    assert read == report
    assert all(np.isfinite(numbers_of(read["source"])))
    donor, mirror = read["source"]["ways"][1:3]
    assert donor["correction"] == {"max_mm": 0.0592, "rms_mm": 0.0481, "limit_mm": None}
    assert donor["figure_mm"] == 0.0194
    assert mirror["refused"] == "no plane"
    assert {name for name, value in mirror.items() if value not in (None, [])} == {
        "name",
        "title",
        "verdict",
        "refused",
    }
    assert Page(as_page(read, ())).row("Limit of the correction")[1:3] == ["–", "–"]


def test_job_tells_the_settings_of_the_ways():
    settings = dataclasses.replace(SETTINGS, use="best", regions=(Region(10.0, 42.5, "loft"),))
    job = json.loads(as_json(report_of(ALL, settings)))["job"]
    assert job["donor"] == {
        "file": "spare <7>.stl",
        "mirrored": True,
        "near_mm": [1.0, 2.0, 3.0],
        "mark_mm": [[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]],
        "limit_mm": 0.5,
    }
    assert job["mirror"] == {"plane_mm": [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]], "near_mm": None, "limit_mm": 0.5}
    assert job["shelf"] == {
        "folder": "our shelf",
        "entry": None,
        "mirrored": False,
        "limit_mm": 0.7,
        "save_as": "as new",
        "search": True,
    }
    assert (job["use"], job["regions"]) == ("best", [[10.0, 42.5, "loft"]])
    plain = report_of(None, WaySettings())["job"]
    assert [plain[name] for name in ("donor", "mirror", "shelf", "use", "regions")] == [None] * 4 + [[]]


def hostile(value):
    """Every text an attack, but for those that the page decides by."""
    if isinstance(value, dict):
        kept = {"verdict", "halves_mode"}
        return {name: item if name in kept else hostile(item) for name, item in value.items()}
    if isinstance(value, list):
        return [hostile(item) for item in value]
    return HOSTILE if isinstance(value, str) else value


def test_all_texts_are_escaped():
    report = report_of(dataclasses.replace(ALL, mixed=("loft",)))
    page = Page(as_page(hostile(report), ()))
    assert page.open == []
    assert "script" not in page.tags
    assert page.section.count(HOSTILE) > 20


# Maps


def tube_with(compared, patch=None):
    """A cylinder from 40 to 60, cut, with these ways; as far as the pictures ask for it."""
    fit = fit_of(
        spline_of(SHAPES["cylinder"].point, 100.0, 12, 36), margin=0.0 if patch is None else 2.0, patch=patch
    )
    layers = laid(fit, Layers())
    target = cut(fit, layers, chord=0.05)
    places = Places(fit.surface, fit.outline.gap_mm[0])
    plain = plain_rebuild.rebuild(made=target)
    stages = Stages(plain.job, plain.source, (), None, SimpleNamespace(fit=fit), None, None, compared)
    shop = Shop(places, layers, (np.zeros((0, 3)), np.zeros((0, 3))))
    return dataclasses.replace(plain, stages=stages, shop=shop)


def bump(u0, v0, size):
    """A bump of some millimetres and some degrees, with its top at a place of the grid."""
    turn = np.angle(np.exp(1j * (V - v0)))
    return size * np.exp(-(((AT[:, None] - u0) / 2.5) ** 2) - (turn / 0.35) ** 2)


def with_bump(u0, v0, size):
    changed = dataclasses.replace(DONOR, correction=Correction(AT, bump(u0, v0, size), abs(size), 0.1))
    apart_by = Difference("donor", "loft", AT[4:-4], bump(u0, v0, -size)[4:-4], abs(size), 0.1)
    other = Difference("loft", "shelf", AT, bump(u0, v0, 3.0), 3.0, 0.1)
    return tube_with(Compared((LOFT, changed, SHELF), "donor", "donor", (apart_by, other)))


def pixels(picture):
    return np.asarray(Image.open(io.BytesIO(picture.png)).convert("RGB"), dtype=float)


def ways_of(rebuild):
    pictures = draw_pictures(rebuild.target, shop_arrays(rebuild))
    return [picture for picture in pictures if picture.topic == "ways"]


def place_of(caption):
    found = re.search(r"is ([+−][\d.]+) mm, at station (-?\d+) mm and (\d+)°", caption)
    return float(found[1].replace("−", "-")), int(found[2]), int(found[3])


@pytest.mark.parametrize(("k", "line", "size"), [(8, 10, 0.31), (20, 30, -0.31), (31, 71, 0.44)])
def test_the_largest_value_lies_at_its_own_place(k, line, size):
    """A known bump: named in the caption, and at the top of the map's own grid, as the figures have it."""
    rebuild = with_bump(AT[k], V[line], size)
    shop = shop_arrays(rebuild)
    changed, between = shop.ways
    station, angle = (float(x) for x in rebuild.shop.places.named(AT[k], V[line]))
    assert station == pytest.approx(AT[k] - 40.0)
    for shown, top in ((changed, size), (between, -size)):
        assert shown.worst_mm == pytest.approx(top, abs=1e-12)
        assert shown.worst_at == pytest.approx((station, angle))
        row, column = np.unravel_index(int(np.abs(shown.values_mm).argmax()), shown.values_mm.shape)
        assert shown.station_mm[row] == pytest.approx(station)
        # Half of a step of 5 degrees, between which values go straight.
        assert abs(np.angle(np.exp(1j * np.radians(shown.angle_deg[column] - angle)))) <= np.radians(2.6)
        assert shown.values_mm[row, column] == pytest.approx(top, rel=0.04)
    found = [place_of(picture.caption) for picture in ways_of(rebuild)]
    assert found == [(size, round(station), round(angle)), (-size, round(station), round(angle))]


def test_ink_lies_where_the_bump_is():
    """Centres of the ink go with station and angle by one and the same straight line."""
    places, ink = [], []
    for k, line in ((8, 12), (20, 30), (32, 12), (32, 48)):
        rebuild = with_bump(AT[k], V[line], 0.4)
        places.append([float(x) for x in rebuild.shop.places.named(AT[k], V[line])])
        image = pixels(ways_of(rebuild)[0])
        image = image[:, : int(0.85 * image.shape[1])]
        rust = (image[..., 0] - image[..., 2] > 60.0) & (image.sum(axis=2) > 250.0)
        rows, columns = np.nonzero(rust)
        ink.append([columns.mean(), rows.mean()])
    places, ink = np.array(places), np.array(ink)
    for axis in (0, 1):
        line = np.polyfit(places[:, axis], ink[:, axis], 1)
        # What rings and numbers cover shifts a centre by a few of the 920 dots.
        assert np.abs(np.polyval(line, places[:, axis]) - ink[:, axis]).max() < 4.0
        assert np.ptp(ink[:, axis]) > 50.0
    assert np.polyfit(places[:, 0], ink[:, 0], 1)[0] > 0.0, "stations run to the right"
    assert np.polyfit(places[:, 1], ink[:, 1], 1)[0] < 0.0, "angles run up"


def test_maps_are_those_of_the_way_that_is_used():
    pictures = ways_of(with_bump(50.0, 1.0, 0.31))
    assert len(pictures) == 2
    changed, between = (picture.caption for picture in pictures)
    assert changed.startswith("How far the spare section (spare <7>.stl) was changed to meet both flanks")
    assert between.startswith("How far the loft from the flanks lies outside the spare section")
    assert "Colours from −0.50 to +0.50 mm" in changed
    assert "hatched where it is not known" in between, "the difference ends before the target does"
    for picture in pictures:
        high, wide = pixels(picture).shape[:2]
        assert 850 <= wide <= 1417
        assert high < 0.5 * wide
        assert len(picture.png) < 250_000


def test_loft_alone_has_no_maps_and_others_may_lack_them():
    assert ways_of(tube_with(Compared((LOFT,), "loft", "loft"))) == []
    assert ways_of(tube_with(None)) == []
    rebuild = tube_with(ALL)
    assert shop_arrays(dataclasses.replace(rebuild, target=None)) is None
    # All alike: no lines to draw.
    assert len(ways_of(rebuild)) == 3


def test_a_patch_looks_for_the_largest_within_itself():
    """The bump lies on the side that was not damaged, a lesser one in the patch."""
    field = bump(50.0, V[48], 0.9) + bump(50.0, V[12], 0.2)
    changed = dataclasses.replace(DONOR, correction=Correction(AT, field, 0.2, 0.1))
    rebuild = tube_with(Compared((LOFT, changed), "donor", "donor"), patch=round_patch(v0=V[12]))
    (shown,) = shop_arrays(rebuild).ways
    assert shown.worst_mm == pytest.approx(0.2, rel=0.01)
    assert end_of_scale(shown) == 1.0, "the scale holds what the whole map shows"


def test_drawn_apart_gives_the_same():
    rebuild = with_bump(50.0, 1.0, 0.31)
    shop = shop_arrays(rebuild)
    with apart.drawing_apart() as draw:
        assert draw(rebuild.target, shop)() == draw_pictures(rebuild.target, shop)


def test_page_places_the_maps():
    text = as_page(report_of(ALL), ways_of(tube_with(ALL)))
    assert text.count("<img") == 3
    first, last = text.index(f"<h2>{HEADING}"), text.index("How far to trust it")
    assert first < text.index("<img") < text.rindex("<img") < last


def test_scale_ends_at_a_round_number_that_holds_all():
    shown = SignedMap("", AT, V, np.zeros((41, 72)), 0.0, (0.0, 0.0))
    for size, end in ((0.0, 0.05), (0.05, 0.05), (0.0501, 0.1), (7.0, 10.0), (40.0, ENDS_MM[-1])):
        shown.values_mm[5, 7] = -size
        assert end_of_scale(shown) == end


def test_colours_say_the_same_on_grey_paper_for_either_sign():
    """A signed map has equal lightness at equal size of either sign, and is lightest at zero."""
    table = signed_scale(0.1).table
    grey = table @ (0.2126, 0.7152, 0.0722)  # luminance of linear RGB, IEC 61966-2-1
    lightness = 116.0 * np.cbrt(grey) - 16.0  # CIE 1976 L*
    half = len(table) // 2
    assert lightness.argmax() == pytest.approx(half, abs=1)
    assert np.abs(lightness - lightness[::-1]).max() < 4.0
