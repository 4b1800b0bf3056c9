"""The ways to the lost surface side by side, as ``report.json`` holds them."""

from dataclasses import asdict
from typing import Any

from gaploft.ways.choose import figure_mm, rule_of_ways
from gaploft.ways.model import TITLES, Compared, Difference, Way


def ways_numbers(compared: Compared | None) -> dict[str, Any] | None:
    """Which way is used, which one the rule recommends, and what each gave; None where none was gone.

    A way that led nowhere has the reason as ``refused`` and None for what it lacks.
    """
    if compared is None:
        return None
    return {
        "used": compared.used,
        "recommended": compared.recommended,
        "mixed_with": list(compared.mixed),
        "rule": rule_of_ways(),
        "ways": [_way(way) for way in compared.ways],
        "differences": [_difference(difference) for difference in compared.differences],
    }


def _way(way: Way) -> dict[str, Any]:
    evidence = None if way.judged is None else way.judged.evidence
    told = ("gap", "fit", "blank_test", "band95_mm", "seam", "halves")
    return {
        "name": way.name,
        "title": TITLES[way.name],
        "label": way.label or None,
        "sha256": way.sha256,
        "verdict": way.verdict,
        "refused": way.refused,
        "figure_mm": None if way.judged is None else figure_mm(way),
        **{name: None if evidence is None else asdict(getattr(evidence, name)) for name in told},
        "placed": None if way.placed is None else asdict(way.placed),
        "correction": _correction(way),
        "mirror": None if way.mirror is None else asdict(way.mirror),
        "shelf": None if way.shelf is None else asdict(way.shelf),
        "warnings": [{"code": note.code, "text": note.text} for note in way.notes],
    }


def _correction(way: Way) -> dict[str, Any] | None:
    if way.correction is None:
        return None
    return {
        "max_mm": way.correction.max_mm,
        "rms_mm": way.correction.rms_mm,
        "limit_mm": way.limit_mm,
    }


def _difference(difference: Difference) -> dict[str, Any]:
    return {
        "first": difference.first,
        "second": difference.second,
        "max_mm": difference.max_mm,
        "rms_mm": difference.rms_mm,
    }
