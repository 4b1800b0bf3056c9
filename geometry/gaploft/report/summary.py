"""Many jobs in one table: a row for each job, as CSV for programs."""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from gaploft.report.rule import rule_lines

#: "unusable": the job gave no report at all.
Ending = Literal["ready", "check", "refused", "unusable"]
Cell = str | int | float | bool | None


@dataclass(frozen=True)
class JobRow:
    """What a summary tells of one job.

    Attributes
    ----------
    job : its name in the summary
    verdict, reason : ``reason`` is the sentence that says why there is no target; None where there is one
    source : where the surface came from; None without a report
    gap_mm ... halves_significant : of its report, mm and degrees; None where not known
    facets : of its target
    seconds : from handing it to a process until it ended
    folder : of its results beside the summary; None where nothing was written
    points : what makes it "check", line by line
    """

    job: str
    verdict: Ending
    reason: str | None = None
    source: str | None = None
    gap_mm: float | None = None
    diameter_mm: float | None = None
    blank_p95_mm: float | None = None
    band95_median_mm: float | None = None
    band95_max_mm: float | None = None
    seam_step_mm: float | None = None
    seam_angle_deg: float | None = None
    halves_offset_mm: float | None = None
    halves_angle_deg: float | None = None
    halves_significant: bool | None = None
    facets: int | None = None
    seconds: float = 0.0
    folder: str | None = None
    points: tuple[str, ...] = ()


#: Columns of ``summary.csv``, in order, with their digits after the point.
COLUMNS: dict[str, int] = {
    "job": 0,
    "verdict": 0,
    "reason": 0,
    "source": 0,
    "gap_mm": 2,
    "diameter_mm": 2,
    "blank_p95_mm": 4,
    "band95_median_mm": 4,
    "band95_max_mm": 4,
    "seam_step_mm": 4,
    "seam_angle_deg": 3,
    "halves_offset_mm": 4,
    "halves_angle_deg": 4,
    "halves_significant": 0,
    "facets": 0,
    "seconds": 1,
    "folder": 0,
}


def row_of(job: str, report: Mapping[str, Any], *, reason: str | None, seconds: float) -> JobRow:
    """One row from what ``report.json`` of that job holds; its folder has the job's name."""
    halves, band, seam = report["halves"], report["band95_mm"], report["seam"]
    verdict: Ending = report["verdict"]
    return JobRow(
        job=shown(job),
        verdict=verdict,
        reason=None if reason is None else shown(reason),
        source=(report.get("source") or {}).get("used", "loft"),
        gap_mm=report["gap"]["length_mm"],
        diameter_mm=report["gap"]["diameter_mm"],
        blank_p95_mm=report["blank_test"]["p95_mm"],
        band95_median_mm=band["median"],
        band95_max_mm=band["max"],
        seam_step_mm=seam["step_mm"],
        seam_angle_deg=seam["angle_deg"],
        halves_offset_mm=halves["offset_mm"],
        halves_angle_deg=halves["angle_deg"],
        halves_significant=halves["significant"],
        facets=report["target"]["facets"],
        seconds=seconds,
        folder=shown(job),
        points=_points(report) if verdict == "check" else (),
    )


def unusable_row(job: str, reason: str, *, seconds: float) -> JobRow:
    """The row of a job that gave no report."""
    return JobRow(shown(job), "unusable", shown(reason), seconds=seconds)


def as_csv(rows: Sequence[JobRow]) -> str:
    """A head and a line for each job; numbers with a point, and nothing where nothing is known.

    As RFC 4180 has it: commas, lines that end with CR and LF, quotes around what needs them.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, dialect="excel")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([_cell(getattr(row, name), digits) for name, digits in COLUMNS.items()])
    return text.getvalue()


def shown(text: str) -> str:
    """One line that can be printed anywhere, also where it holds a file name that is no text."""
    return " ".join(text.encode("utf-8", "surrogateescape").decode("utf-8", "replace").split())


def _cell(value: Cell, digits: int) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.{digits}f}" if isinstance(value, float) else str(value)


def _points(report: Mapping[str, Any]) -> tuple[str, ...]:
    """Lines of the rule that are off; where all hold, what the report warns of."""
    off = [line for line in rule_lines(report) if line.outcome not in (None, "ready")]
    told = [f"{line.name}: {line.found} ({line.limit})" for line in off]
    return tuple(map(shown, told or [warning["text"] for warning in report["warnings"]]))
