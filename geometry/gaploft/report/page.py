"""The report as one self-contained page for people."""

import base64
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any

from gaploft.report.cautions import CAUTIONS
from gaploft.report.pictures import Picture

_VERDICTS = {
    "ready": ("✓", "Ready", "The evidence supports this target within the figures below."),
    "check": (
        "!",
        "Check first",
        "There is a target, but something below needs your judgement before it is used.",
    ),
    "refused": ("✕", "Refused", "The evidence does not support a target, so none was written."),
}


def as_page(report: Mapping[str, Any], pictures: Sequence[Picture]) -> str:
    """Lay out a report from :func:`gaploft.report.numbers.as_dict` as HTML without outside resources."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["figure"] = _figure
    text = resources.files("gaploft.report").joinpath("page.html.j2").read_text(encoding="utf-8")
    sign, title, meaning = _VERDICTS[report["verdict"]]
    return environment.from_string(text).render(
        report=report,
        sign=sign,
        title=title,
        meaning=meaning,
        cautions=CAUTIONS,
        pictures=[(base64.b64encode(picture.png).decode("ascii"), picture.caption) for picture in pictures],
    )


def _figure(value: Any, unit: str = "", digits: int = 3) -> str:
    """A number with its unit, or a dash where nothing is known."""
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    number = f"{value:,}" if isinstance(value, int) else f"{value:,.{digits}f}"
    return f"{number} {unit}".rstrip()
