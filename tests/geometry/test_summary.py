"""The summary of many jobs: the same figures in table and page, as their reports have them."""

import csv
import dataclasses
import html.parser
import io
import re

import pytest

import plain_rebuild
from gaploft.report.cautions import CAUTIONS
from gaploft.report.numbers import as_dict
from gaploft.report.summary import COLUMNS, JobRow, as_csv, row_of, shown, unusable_row
from gaploft.report.summary_page import summary_page

HOSTILE = '<script>alert("x")</script>, &{{ 7 * 7 }}'


def report(verdict="ready", **more):
    return {**as_dict(plain_rebuild.rebuild(verdict), None), **more}


def row(job="seat tube", verdict="ready", **more):
    reason = "the flanks are short: scan more" if verdict == "refused" else None
    return row_of(job, report(verdict, **more), reason=reason, seconds=12.34)


def full_rows():
    """Rows of every kind; each figure is another one."""
    figures = [name for name, kind in JobRow.__annotations__.items() if kind in (float | None, int | None)]
    first = {name: 100 + k if name == "facets" else 1.001 + 1.111 * k for k, name in enumerate(figures)}
    return (
        JobRow("a", "ready", source="loft", halves_significant=False, seconds=33.3, folder="a", **first),
        row("b", "check"),
        row("c", "refused"),
        unusable_row("d", "there is no file d.toml: check the name", seconds=0.02),
    )


def parsed(rows):
    return list(csv.reader(io.StringIO(as_csv(rows), newline=""), strict=True))


def test_figures_are_those_of_the_report():
    told = dict(zip(*parsed([row()]), strict=True))
    evidence = plain_rebuild.evidence()
    assert told.pop("halves_significant") == "no"
    for name, expected in {
        "gap_mm": evidence.gap.length_mm,
        "diameter_mm": evidence.gap.diameter_mm,
        "blank_p95_mm": evidence.blank_test.p95_mm,
        "band95_median_mm": evidence.band95_mm.median,
        "band95_max_mm": evidence.band95_mm.max,
        "seam_step_mm": evidence.seam.step_mm,
        "seam_angle_deg": evidence.seam.angle_deg,
        "halves_offset_mm": evidence.halves.offset_mm,
        "halves_angle_deg": evidence.halves.angle_deg,
        "seconds": 12.34,
    }.items():
        assert float(told[name]) == pytest.approx(expected, abs=0.5 * 10.0 ** -COLUMNS[name] + 1e-12)
    assert (told["job"], told["folder"], told["verdict"], told["reason"]) == ("seat tube",) * 2 + (
        "ready",
        "",
    )


@pytest.mark.parametrize(
    ("more", "source"),
    [({}, "loft"), ({"source": None}, "loft"), ({"source": {"used": "donor", "more": 1}}, "donor")],
)
def test_source_is_the_loft_unless_the_report_says_another(more, source):
    assert row(**more).source == source


def test_table_is_as_rfc_4180_has_it():
    """RFC 4180 (2005), section 2: rules 1 (CR LF), 4 (as many fields in each line), 6 and 7 (quotes)."""
    reason = 'line one\nline "two", and, more'
    text = as_csv([*full_rows(), unusable_row("e", reason, seconds=0.0)])
    assert text.endswith("\r\n")
    assert text.count("\n") == text.count("\r\n") == 6
    assert '"line one line ""two"", and, more"' in text
    lines = parsed([*full_rows(), unusable_row("e", reason, seconds=0.0)])
    assert {len(line) for line in lines} == {len(COLUMNS)}
    assert lines[0] == list(COLUMNS)
    assert lines[5][2] == 'line one line "two", and, more'


def test_numbers_have_a_point_and_no_unit_but_that_of_the_head():
    for line in parsed(full_rows())[1:]:
        for name, cell in zip(COLUMNS, line, strict=True):
            if name.endswith(("_mm", "_deg")) or name == "seconds":
                assert re.fullmatch(r"(\d+\.\d+)?", cell), (name, cell)
    units = {"gap": "_mm", "diameter": "_mm", "band95": "_mm", "blank": "_mm", "seam_angle": "_deg"}
    for start, end in units.items():
        assert all(name.endswith(end) for name in COLUMNS if name.startswith(start))


def test_what_is_not_known_is_empty():
    refused, unusable = parsed([row("c", "refused"), unusable_row("d", "why", seconds=0.5)])[1:]
    assert refused[:4] == ["c", "refused", "the flanks are short: scan more", "loft"]
    assert refused[4:] == [*11 * [""], "12.3", "c"]
    assert unusable == ["d", "unusable", "why", *12 * [""], "0.5", ""]


def test_a_name_that_is_no_text_can_be_written():
    """File names of POSIX are bytes; Python holds what is no UTF-8 as lone surrogates (PEP 383)."""
    name = b"tube \xff".decode("utf-8", "surrogateescape")
    assert shown(name) == "tube \ufffd"
    assert as_csv([unusable_row(name, name, seconds=0.0)]).encode("utf-8")


class Page(html.parser.HTMLParser):
    """Words of a page as they are read, its tags, and what it refers to."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.links, self.loaded, self.words = [], [], [], [], []
        self.feed(text)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        told = dict(attrs)
        self.links += [told["href"]] if tag == "a" else []
        self.loaded += [told[name] for name in ("src", "srcset", "data", "action") if name in told]
        if tag not in ("meta", "img", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "title"):
            self.words.append(data)


def test_page_is_well_formed_and_loads_nothing():
    text = summary_page(full_rows())
    page = Page(text)
    assert page.open == []
    assert page.loaded == []
    assert not {"script", "link", "iframe", "object", "base", "form", "img"} & set(page.tags)
    assert not re.search(r"url\(|@import|https?:|//[a-z]", text)


def test_page_has_every_job_with_its_figures_and_cautions():
    rows = full_rows()
    page = Page(summary_page(rows))
    for name, value in dataclasses.asdict(rows[0]).items():
        if isinstance(value, float | int) and not isinstance(value, bool):
            ways = {f"{value:.{digits}f}" for digits in range(4)}
            assert ways & set(page.text.split()), (name, value)
    for words in (
        "the flanks are short: scan more",
        "there is no file d.toml",
        "2 of 4 jobs without a target",
    ):
        assert words in page.text
    for title, text in CAUTIONS:
        assert f"{title}. {text}" in page.text
    assert page.links == 2 * ["a/report.html", "b/report.html", "c/report.html"]


def test_page_says_why_a_job_is_to_be_checked():
    seam = {"step_mm": 0.031, "angle_deg": 0.02}
    text = Page(summary_page([row("b", "check", seam=seam)])).text
    assert "Step at the rims: 0.031 mm (check above 0.02 mm)" in text
    assert "1 of 1 jobs to be checked first" in text


def test_all_ready_is_said_at_once():
    text = Page(summary_page([row("a"), row("b")])).text
    assert "All jobs ready" in text
    assert "Nothing here asks for a second look" in text


def test_names_are_escaped_and_links_quoted():
    page = Page(summary_page([row(HOSTILE), unusable_row(HOSTILE, HOSTILE, seconds=0.0), row("100 %#?")]))
    assert page.open == []
    assert "script" not in page.tags
    assert page.text.count(HOSTILE) >= 5
    assert page.links[1] == "100%20%25%23%3F/report.html"


def test_page_prints_on_a4_with_heads_on_every_sheet():
    text = summary_page(full_rows())
    style = re.search(r"<style>(.*?)</style>", text, re.S).group(1)
    assert re.search(r"@page \{ size: A4;", style)
    assert "table-header-group" in style
    assert "Gaploft summary" in style
    assert text.count("<thead>") == 2


def test_the_same_rows_give_the_same_bytes():
    assert as_csv(full_rows()) == as_csv(full_rows())
    assert summary_page(full_rows()) == summary_page(full_rows())
