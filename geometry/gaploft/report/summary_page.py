"""Many jobs on one page for people."""

from collections import Counter
from collections.abc import Sequence
from urllib.parse import quote

from gaploft.report.cautions import CAUTIONS
from gaploft.report.page import rendered, sheet_name
from gaploft.report.summary import JobRow

#: As each verdict stands in the table, and what it means.
ENDINGS = {
    "ready": ("✓ ready", "The evidence supports the target within the figures of its report."),
    "check": ("! check", "There is a target, but something needs your judgement before it is used."),
    "refused": ("✕ refused", "The evidence does not support a target, so none was written."),
    "unusable": ("✕ unusable", "The job could not be done; nothing was written for it."),
}


def summary_page(rows: Sequence[JobRow]) -> str:
    """Lay out the rows of a batch as HTML without outside resources; reports are linked where they lie."""
    counts = Counter[str](row.verdict for row in rows)
    sign, title, meaning, kind = _overall(counts, len(rows))
    return rendered(
        "summary.html.j2",
        rows=rows,
        links={row.folder: f"{quote(row.folder)}/report.html" for row in rows if row.folder is not None},
        counts=counts,
        endings=ENDINGS,
        sign=sign,
        title=title,
        meaning=meaning,
        kind=kind,
        cautions=CAUTIONS,
        sheet_name=sheet_name("summary", None, None),
    )


def _overall(counts: "Counter[str]", n_jobs: int) -> tuple[str, str, str, str]:
    """Sign, title, meaning and kind of frame for all jobs together."""
    without = counts["refused"] + counts["unusable"]
    if without:
        title = f"{without} of {n_jobs} jobs without a target"
        return "✕", title, "Why, and what to do, stands below for each of them.", "refused"
    if counts["check"]:
        title = f"{counts['check']} of {n_jobs} jobs to be checked first"
        return "!", title, "All have a target; what needs your judgement stands below.", "check"
    return "✓", "All jobs ready", "The evidence supports each target within its figures.", "ready"
