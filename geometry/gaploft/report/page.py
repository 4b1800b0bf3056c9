"""The report as one self-contained page for people."""

import base64
import re
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any

from gaploft.evidence.band import HALF_WIDTH
from gaploft.report.cautions import cautions_for
from gaploft.report.pictures import Picture
from gaploft.report.rule import is_patch, rule_lines, rule_text
from gaploft.report.ways_words import ways_shown
from gaploft.target.places import whole_degrees

_VERDICTS = {
    "ready": ("✓", "Ready", "The evidence supports this target within the figures below."),
    "check": (
        "!",
        "Check first",
        "There is a target, but something below needs your judgement before it is used.",
    ),
    "refused": ("✕", "Refused", "The evidence does not support a target, so none was written."),
}
#: Parts of a report that are there only when they were asked for.
_BY_REQUEST = (
    "hand",
    "layers",
    "wall",
    "bed",
    "plies",
    "reach",
    "frame_fit",
    "stock",
    "source",
    "patch",
    "files",
)
_HEX = re.compile(r"[0-9a-f]{8,}")


def as_page(report: Mapping[str, Any], pictures: Sequence[Picture]) -> str:
    """Lay out a report from :func:`gaploft.report.numbers.as_dict` as HTML without outside resources."""
    sign, title, meaning = _VERDICTS[report["verdict"]]
    patch = is_patch(report)
    drawn: dict[str, list[tuple[str, str]]] = {}
    for picture in pictures:
        data = base64.b64encode(picture.png).decode("ascii")
        drawn.setdefault(picture.topic, []).append((data, picture.caption))
    return rendered(
        "page.html.j2",
        report={**dict.fromkeys(_BY_REQUEST), **report},
        sign=sign,
        title=title,
        meaning=meaning,
        rule=rule_text(patch=patch),
        rule_lines=rule_lines(report),
        ways=ways_shown(report),
        cautions=cautions_for(patch=patch),
        patch=patch,
        pictures=drawn,
        sheet_name=sheet_name("report", report["scan"]["sha256"], report["target"]["sha256"]),
    )


def rendered(template: str, **values: Any) -> str:
    """Fill in one of the templates of this folder; all that is put in is escaped.

    They share ``style.css.j2`` and the macros of ``parts.html.j2``, and the filters below.
    """
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=FunctionLoader(_template),
    )
    environment.filters.update(figure=_figure, share=_share, place=_place, point=_point, sentence=_sentence)
    environment.filters.update(within95=_within95)
    return environment.get_template(template).render(**values)


def sheet_name(kind: str, scan_sha256: str | None, target_sha256: str | None) -> str:
    """What stands at the foot of each printed sheet, so that loose sheets are told apart.

    It goes into a style sheet, where nothing is escaped: only checksums that are hexadecimal are let in.
    """
    told = [f"Gaploft {kind}"]
    for name, sha256 in (("scan", scan_sha256), ("target", target_sha256)):
        if sha256 is not None and _HEX.fullmatch(sha256):
            told.append(f"{name} {sha256[:8]}")
    return " · ".join(told)


def _template(name: str) -> str:
    return resources.files("gaploft.report").joinpath(name).read_text(encoding="utf-8")


def _figure(value: Any, unit: str = "", digits: int = 3) -> str:
    """A number with its unit, or a dash where nothing is known."""
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    number = f"{value:,}" if isinstance(value, int) else f"{value:,.{digits}f}"
    return f"{number} {unit}".rstrip()


def _share(value: float | None, digits: int = 1) -> str:
    """A share from 0 to 1 as percent."""
    return _figure(None if value is None else 100.0 * float(value), "%", digits)


def _within95(standard_mm: float | None) -> str:
    """Half width that holds 95 % of a normal error of this standard uncertainty (GUM, JCGM 100, annex G)."""
    return "–" if standard_mm is None else f"± {_figure(HALF_WIDTH * float(standard_mm), 'mm')}"


def _point(xyz: Sequence[float] | None) -> str:
    """A point with its unit."""
    return "–" if xyz is None or None in xyz else f"({', '.join(f'{float(x):.2f}' for x in xyz)}) mm"


def _place(place: Mapping[str, Any] | None) -> str:
    """A place as a person at the bench finds it, and where that is in the scan; on a patch only that."""
    if place is None:
        return "–"
    if place["station_mm"] is None:
        return f"at {_point(place['point_mm'])}"
    angle = whole_degrees(place["angle_deg"])
    return f"station {place['station_mm']:.1f} mm, {angle}°, at {_point(place['point_mm'])}"


def _sentence(text: str) -> str:
    """With a capital letter."""
    return text[:1].upper() + text[1:]
