"""What the README promises is what the program does: job file, exit codes, keys, rule, buttons, pictures.

These are rules of this project alone; no outside source is behind them.
"""

import re
import shlex
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from gaploft import cli
from gaploft.evidence.model import (
    BandSummary,
    BlankTest,
    Evidence,
    FitQuality,
    GapSize,
    Halves,
    Seam,
    Seating,
)
from gaploft.evidence.verdict import PATCH_WORDS, judge
from gaploft.job import MM_PER_UNIT, Damage, HalvesSettings, Job, Layers, TargetSettings
from gaploft.job_file import _KEYS, read_job
from gaploft.job_sources import DonorSettings, MirrorSettings, Region, ShelfSettings
from gaploft.report.model import Rebuild
from gaploft.report.numbers import as_dict
from gaploft.report.outputs import OUTPUT_NAMES
from gaploft.scan.model import ScanSource
from gaploft.shelf.found import FITS_MM
from gaploft.ways.choose import EQUAL_MM, rule_of_ways

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
ADDON_SOURCE = "".join(
    file.read_text(encoding="utf-8") for file in sorted((ROOT / "addon" / "gaploft_addon").glob("*.py"))
)


#: Nothing said of the shelf but its folder.
SHELF = ShelfSettings(Path("shelf"))


def fenced(language: str) -> list[str]:
    """Give the code blocks of one language."""
    return re.findall(rf"^```{language}\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)


def section(title: str) -> str:
    """Give the text below one heading."""
    return re.split(r"^## ", README.split(f"\n## {title}\n")[1], flags=re.MULTILINE)[0]


def first_cells(text: str) -> list[str]:
    """Give the first cell of each table row, heads and rules left out."""
    rows = re.findall(r"^\| (.+?) \|.*\|$", text, flags=re.MULTILINE)
    heads = re.findall(r"^\| (.+?) \|.*\|\n\| -", text, flags=re.MULTILINE)
    return [row for row in rows if row not in heads and not row.startswith("---")]


def test_job_file_is_read_as_it_stands(tmp_path):
    text = "".join(fenced("toml"))
    path = tmp_path / "job.toml"
    path.write_text(text, encoding="utf-8")
    (tmp_path / "damaged.txt").write_text("0\n7\n", encoding="utf-8")
    job_file = read_job(path)
    assert job_file.unit == "mm"
    assert job_file.scan_path == tmp_path / "scan.stl"
    assert job_file.job.damage.to_mm.tolist() == [0.0, 0.0, 80.0]
    np.testing.assert_array_equal(job_file.job.damage.source_vertices, [0, 7])
    assert job_file.donor == (tmp_path / "spare.stl", "mm")
    ways = job_file.job.ways
    assert ways.others == ("donor", "mirror", "shelf")
    assert (ways.use, ways.regions) == ("best", (Region(20.0, 45.0, "loft"),))


def test_job_file_shows_every_key_and_the_usual_values(tmp_path):
    text = "".join(fenced("toml"))
    shown = tomllib.loads(text)
    for name in ("ply", "crease"):
        shown[name] = {key: None for table in shown[name] for key in table}
    bare = {name: set(table) for name, table in shown.items()}
    # Two ways exclude each other: the second is told in a comment.
    told = {"bed": {"step"}, "frame": {"points"}, "patch": {"outline"}}
    for name, keys in told.items():
        for key in keys:
            assert re.search(rf"#.*\b{key}\b = ", text), key
        bare[name] |= keys
    assert bare == {name: set(keys) for name, keys in _KEYS.items()}
    for name, settings in (("donor", DonorSettings()), ("mirror", MirrorSettings()), ("shelf", SHELF)):
        assert shown[name]["limit"] == settings.limit_mm
        assert shown[name].get("mirrored", False) == getattr(settings, "mirrored", False)
    usual_target, usual_layers = TargetSettings(), Layers()
    assert shown["target"]["chord_tolerance"] == usual_target.chord_tolerance_mm
    assert shown["target"]["overlap"] == usual_target.overlap_mm
    assert (shown["layers"]["paint"], shown["layers"]["cover"]) == (
        usual_layers.paint_mm,
        usual_layers.cover_mm,
    )
    usual_halves = HalvesSettings()
    assert (shown["halves"]["mode"], shown["halves"]["move"]) == (usual_halves.mode, usual_halves.move)
    unit_line = next(line for line in text.splitlines() if line.startswith("unit"))
    assert set(re.findall(r"\b(?:mm|cm|m|in)\b", unit_line.partition("#")[2])) == set(MM_PER_UNIT)


def test_exit_codes_are_those_of_the_command_line():
    told = {int(cell) for cell in first_cells(section("On the command line"))}
    assert told == {cli.DONE, cli.UNUSABLE, cli.REFUSED, cli.INTERRUPTED}


def test_command_lines_parse_and_name_files_that_are_there():
    lines = [line for block in fenced("sh") for line in block.splitlines() if "bin/gaploft " in line]
    assert lines
    for line in lines:
        options = cli._parser().parse_args(shlex.split(line)[1:])
        if options.command == "rebuild":
            assert all((ROOT / job).is_file() for job in (options.job, *options.more))
        elif options.command == "shelf":
            places = [getattr(options, name, None) for name in ("scan", "job")]
            assert all((ROOT / place).parent.is_dir() for place in places if place)
        else:
            assert (ROOT / options.measured).parent.is_dir()


def test_the_rule_of_ways_is_the_one_that_is_followed():
    said = " ".join(section("What goes in").split())
    assert f"{EQUAL_MM:.3f} mm" in said
    assert f"({FITS_MM:.2f} mm: common practice" in " ".join(section("On the command line").split())
    told = rule_of_ways()
    for words in (
        "the larger of the blank test's 95 % error and the ",
        "before the opposite side",
        "saw the shape that the loft bridges",
    ):
        assert words in said
        assert words.split(" the ")[0] in told


def test_files_and_report_keys_are_those_that_are_written():
    cells = re.findall(r"`([^`]+)`", " ".join(first_cells(section("What comes out"))))
    source = ScanSource("scan.stl", "", "mm", 0, 0)
    job = Job(Damage(np.zeros(3), np.array([0.0, 0.0, 80.0])))
    keys = set(as_dict(Rebuild(job, source, None, None, "refused", ()), None))
    assert set(cells) == set(OUTPUT_NAMES) | keys


SOUND = Evidence(
    GapSize(40.0, 30.0, (80.0, 80.0)),
    FitQuality(0.02, 0.02, 10_000),
    BlankTest(4, 0.01, 0.01, 0.02, 40.0),
    BandSummary(0.01, 0.01),
    Seam(0.001, 0.01),
    Halves(0.0, 0.0, 0.0, False),
)


def with_figure(name: str, value: float) -> Evidence:
    """Sound evidence with one figure of it changed."""
    part, _, field = name.partition(".")
    return replace(SOUND, **{part: replace(getattr(SOUND, part), **{field: value})})


@pytest.mark.parametrize(
    ("phrase", "figure", "below", "above"),
    [
        (
            "blank test's 95 % error or the band's median is more than {} mm",
            "blank_test.p95_mm",
            "check",
            "refused",
        ),
        (
            "blank test's 95 % error or the band's median is more than {} mm",
            "band95_mm.median",
            "ready",
            "refused",
        ),
        (
            "blank test's 95 % error or the widest band is more than {} mm",
            "blank_test.p95_mm",
            "ready",
            "check",
        ),
        ("blank test's 95 % error or the widest band is more than {} mm", "band95_mm.max", "ready", "check"),
        ("step of more than {} mm", "seam.step_mm", "ready", "check"),
        ("angle of more than {} degrees", "seam.angle_deg", "ready", "check"),
    ],
)
def test_verdict_changes_at_the_figures_told(phrase, figure, below, above):
    pattern = re.escape(phrase).replace(r"\{\}", r"([\d.]+)").replace(r"\ ", r"\s+")
    (number,) = re.findall(pattern, section("How far to trust it"))
    limit = float(number)
    assert judge(with_figure(figure, limit * (1 - 1e-9)))[0] == below
    assert judge(with_figure(figure, limit * (1 + 1e-9)))[0] == above


def test_halves_that_could_hide_half_a_millimetre_are_checked():
    number = float(re.findall(r"known to no better than ([\d.]+) mm", section("How far to trust it"))[0])
    for share, verdict in ((1.0 - 1e-9, "ready"), (1.0 + 1e-9, "check")):
        halves = Halves(0.02, 0.01, 0.0, offset_u_mm=share * number, angle_u_deg=0.02)
        assert judge(replace(SOUND, halves=halves))[0] == verdict


def test_gap_over_more_than_the_waves_of_the_tube_is_refused():
    number = float(
        re.findall(r"more than ([\d.]+) times\s+as long as the waves", section("How far to trust it"))[0]
    )
    length = SOUND.gap.length_mm
    for share, verdict in ((1.0 + 1e-9, "ready"), (1.0 - 1e-9, "refused")):
        waves = replace(SOUND, gap=replace(SOUND.gap, shape_mm=share * length / number))
        assert judge(waves)[0] == verdict


def test_wide_band_is_refused_only_where_a_strip_was_never_seen():
    wide = with_figure("band95_mm.max", 0.26)
    assert judge(wide)[0] == "check"
    verdict, notes = judge(replace(wide, fit=replace(wide.fit, unseen_deg=40.0)))
    assert verdict == "refused"
    assert {note.code for note in notes} >= {"strip_unseen", "no_evidence"}
    narrow = replace(SOUND, fit=replace(SOUND.fit, unseen_deg=40.0))
    assert judge(narrow)[0] == "ready"


def test_verdict_is_ready_when_sound_and_check_when_halves_moved():
    assert judge(SOUND)[0] == "ready"
    moved = Halves(1.0, 0.5, 0.0, True, offset_u_mm=0.01, angle_u_deg=0.02, not_seen=("slide",))
    verdict, (note,) = judge(replace(SOUND, halves=moved))
    assert (verdict, note.code) == ("check", "halves_moved")
    assert "1.00 ± 0.01 mm and 0.50 ± 0.02 degrees off, slide can't be seen" in note.text
    assert note.text.endswith("the surface holds both as scanned")
    seated = replace(moved, mode="reseat", moved="from", matrix=((1.0, 0.0, 0.0, 0.0),) * 4)
    verdict, (note,) = judge(replace(SOUND, halves=seated))
    assert (verdict, note.code) == ("check", "halves_reseated")
    assert "once the 'from' half has been moved by the matrix in the report" in note.text
    left = replace(seated, after=Seating(0.12, 0.01, 0.2, 0.02, True))
    (note,) = judge(replace(SOUND, halves=left))[1]
    assert "and still 0.12 mm once re-seated" in note.text


@pytest.mark.parametrize(
    ("halves", "reason"),
    [
        (
            Halves(0.02, 0.01, 0.0, offset_u_mm=0.01, angle_u_deg=0.02),
            "offset 0.02 ± 0.01 mm, angle 0.01 ± 0.02",
        ),
        (Halves(), "leaves the tube in one piece"),
    ],
    ids=["still", "one piece"],
)
def test_halves_that_have_not_moved_are_held_with_a_sentence(halves, reason):
    verdict, (note,) = judge(replace(SOUND, halves=replace(halves, mode="reseat")))
    assert (verdict, note.code) == ("ready", "halves_not_moved")
    assert reason in note.text
    assert "none was re-seated" in note.text
    short = replace(SOUND, blank_test=replace(SOUND.blank_test, length_mm=20.0))
    verdict, notes = judge(short)
    assert verdict == "ready"
    assert [note.code for note in notes] == ["blank_test_short"]


def test_sentences_of_a_patch_do_not_speak_of_a_tube():
    poor = replace(
        with_figure("blank_test.p95_mm", 0.3),
        band95_mm=replace(SOUND.band95_mm, max=0.4),
        blank_test=replace(SOUND.blank_test, p95_mm=0.3, length_mm=0.5 * SOUND.gap.length_mm),
    )
    codes = {"blank_test_wide", "band_wide", "blank_test_short", "no_evidence"}
    of_tube, of_patch = judge(poor)[1], judge(poor, PATCH_WORDS)[1]
    assert {note.code for note in of_tube} == {note.code for note in of_patch} == codes
    told = " ".join(note.text for note in of_patch)
    assert not re.search(r"stretch|the tube|spare section|the gap", told)
    assert "crease" in told


#: Words of Blender's interface that the README names.
BLENDERS_OWN = {"Edit > Preferences > Get Extensions", "Install from Disk"}


def test_buttons_and_steps_are_those_of_the_sidebar():
    text = section("In Blender")
    for name in re.findall(r"^\d\. \*\*(.+?)\.\*\*", text, flags=re.MULTILINE):
        assert re.search(rf'bl_label = "\d {name}"', ADDON_SOURCE), name
    assert len(re.findall(r"^\d\. \*\*", text, flags=re.MULTILINE)) == 7
    named = set(re.findall(r"(?<!\*)\*([A-Z][^*]+)\*(?!\*)", text)) - BLENDERS_OWN
    assert {"Import Scan", "Click Both Ends", "Rebuild Surface", "Export Target"} <= named
    for name in named:
        assert f'"{name}"' in ADDON_SOURCE, name
    assert "tab **Gaploft**" in " ".join(text.split())
    assert 'bl_category = "Gaploft"' in ADDON_SOURCE


def test_links_lead_somewhere_and_pictures_are_small():
    links = [link for link in re.findall(r"\]\(([^)]+)\)", README) if "://" not in link]
    assert "DEVELOPERS.md" in links
    for link in links:
        assert (ROOT / link).is_file(), link
    pictures = [ROOT / link for link in links if link.endswith(".png")]
    assert pictures
    for picture in pictures:
        assert picture.read_bytes().startswith(b"\x89PNG")
        assert picture.stat().st_size < 200_000
