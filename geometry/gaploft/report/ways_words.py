"""Where the shape comes from, in words and rows, as the page shows it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gaploft.report.ways_told import listed, mm, told

CAUTION = (
    "A spare section, an opposite side or a tube off the shelf shows what was lost only as far as it is the "
    "same part. Another size or make of it, thicker paint, a tube that sags or lies under load, or an "
    "earlier repair go into the target. Where it differs on the intact stretch it was changed to meet the "
    "flanks, and the table says by how much; where it differs over the damage alone, nothing here can see "
    "it: look it over and measure its paint before you rely on it."
)
_VERDICTS = {"ready": "✓ ready", "check": "! check", "refused": "✕ refused"}


@dataclass(frozen=True)
class Row:
    """One figure of all ways; ``unit`` is None for words, ``worse`` says which of them stand out."""

    name: str
    values: tuple[Any, ...]
    unit: str | None = "mm"
    digits: int = 3
    worse: tuple[bool, ...] = ()


@dataclass(frozen=True)
class Told:
    """What is to be said of one way; ``tubes`` of the shelf are (name, file, misfit, how it lies)."""

    title: str
    sentences: tuple[str, ...]
    tubes: tuple[tuple[str, str, float | None, str], ...] = ()
    skipped: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class WaysShown:
    """The whole section.

    Attributes
    ----------
    used : sentences on which way is used
    advice : how the rule's way differs from it; None where it does not
    heads : title and label of each way
    rows, told : figures side by side, and what is to be said of each way but the loft
    differences : which two, root mean square and largest
    """

    used: tuple[str, ...]
    advice: str | None
    rule: str
    heads: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    told: tuple[Told, ...]
    differences: tuple[tuple[str, float | None, float | None], ...]
    caution: str = CAUTION


def ways_shown(report: Mapping[str, Any]) -> WaysShown | None:
    """Lay out what :func:`gaploft.report.numbers.as_dict` holds as "source"; None for the loft alone."""
    source = report.get("source")
    if source is None or len(source["ways"]) < 2:
        return None
    ways = source["ways"]
    titles = {way["name"]: way["title"] for way in ways}
    return WaysShown(
        used=_used(source, titles, report["job"].get("regions") or []),
        advice=_advice(source, titles),
        rule=source["rule"],
        heads=tuple(
            (way["title"], "" if way["title"] in (way["label"] or "") else way["label"] or "") for way in ways
        ),
        rows=_rows(source),
        told=tuple(
            Told(_named(way), *told(way, report["job"], mine=way["name"] == source["used"]))
            for way in ways
            if way["name"] != "loft" or way["refused"]
        ),
        differences=tuple(
            (f"{titles[pair['first']]} and {titles[pair['second']]}", pair["rms_mm"], pair["max_mm"])
            for pair in source["differences"]
        ),
    )


def _named(way: Mapping[str, Any]) -> str:
    """Title and label; the label alone where it has the title in it."""
    title, label = str(way["title"]), str(way["label"] or "")
    return label if title in label else f"{title}, {label}" if label else title


def _of(source: Mapping[str, Any], name: str | None) -> Mapping[str, Any] | None:
    return next((way for way in source["ways"] if way["name"] == name), None)


def _used(
    source: Mapping[str, Any], titles: Mapping[str, str], regions: Sequence[Sequence[Any]]
) -> tuple[str, ...]:
    """Which way is used, and where another one is."""
    used = _of(source, source["used"])
    if used is None:
        return ()
    if used["verdict"] == "refused":
        return (f"The shape was to come from the {_named(used)}, which was refused: no target was cut.",)
    sentences = [f"The target takes its shape from this way: {_named(used)}."]
    if source["recommended"] == source["used"]:
        sentences.append("This is the way that the rule recommends.")
    if source["mixed_with"]:
        places = [
            f"from station {first:.1f} to {last:.1f} mm from the {titles.get(name, name)}"
            for first, last, name in regions
            if name != source["used"]
        ]
        sentences.append(
            f"In regions it is another's: {listed(places)}, with a smooth way over. Of each figure in "
            "this report the worse one of these ways is told; the table and the maps here are of each way "
            "alone."
        )
    return tuple(sentences)


def _advice(source: Mapping[str, Any], titles: Mapping[str, str]) -> str | None:
    """Said where the rule recommends another way than the one that is used."""
    best, used = _of(source, source["recommended"]), _of(source, source["used"])
    if best is None:
        return "The rule recommends none of these ways: all were refused."
    if used is None or best is used:
        return None
    text = f"The rule recommends another way: the {titles[best['name']]}, not the {titles[used['name']]}"
    figures = (best["figure_mm"], used["figure_mm"])
    if None not in figures:
        text += f" (the figure that it compares is {mm(figures[0])} against {mm(figures[1])})"
    return f'{text}. To follow it, choose it; in a job file, use = "{best["name"]}" or "best" below [source].'


def _rows(source: Mapping[str, Any]) -> tuple[Row, ...]:
    """Figures of all ways side by side."""
    ways = source["ways"]

    def of(*path: str) -> tuple[Any, ...]:
        return tuple(_found(way, path) for way in ways)

    limits, largest = of("correction", "limit_mm"), of("correction", "max_mm")
    over = tuple(
        limit is not None and most is not None and most > limit
        for limit, most in zip(limits, largest, strict=True)
    )
    roles = tuple(
        ", ".join(role for role in ("used", "recommended") if source[role] == way["name"]) or "–"
        for way in ways
    )
    verdicts = tuple(_VERDICTS.get(way["verdict"], way["verdict"]) for way in ways)
    return (
        Row("Role", roles, None),
        Row("Verdict", verdicts, None, worse=tuple(way["verdict"] != "ready" for way in ways)),
        Row("Blank test, 95 % within", of("blank_test", "p95_mm")),
        Row("95 % band ±, median", of("band95_mm", "median")),
        Row("95 % band ±, largest", of("band95_mm", "max")),
        Row("Figure that the rule compares", of("figure_mm")),
        Row("Step at the rims", of("seam", "step_mm")),
        Row("Kink at the rims", of("seam", "angle_deg"), "°", 2),
        Row("Intact stretch off it, robust", of("placed", "misfit_mm")),
        Row("Correction, root mean square", of("correction", "rms_mm")),
        Row("Correction, largest", largest, worse=over),
        Row("Limit of the correction", limits),
    )


def _found(way: Mapping[str, Any], path: Sequence[str]) -> Any:
    value: Any = way
    for name in path:
        value = None if value is None else value[name]
    return value
