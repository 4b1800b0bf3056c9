"""A stock check as plain numbers: what ``stock.json`` holds."""

from dataclasses import asdict
from typing import Any

from gaploft.report.numbers import GENERATOR, plain, version
from gaploft.report.stock_target import KnownTarget
from gaploft.stock.model import Stock

SCHEMA = 1


def stock_dict(stock: Stock, target: KnownTarget) -> dict[str, Any]:
    """Everything that is known of one stock check, as JSON can hold it."""
    settings, decision = stock.settings, stock.decision
    aligned = stock.alignment
    total = sum(decision.area_mm2.values())
    told = {
        "schema": SCHEMA,
        "generator": f"{GENERATOR} {version()}",
        "unit": "mm",
        "stage": settings.stage,
        "target": {
            "file": target.file,
            "sha256": target.sha256,
            "area_mm2": stock.area_mm2,
            "ringed": target.skin.shape is not None,
        },
        "measured": asdict(stock.source),
        "surplus_volume_mm3": stock.surplus_volume_mm3,
        "surplus_max_mm": stock.surplus_max_mm,
        "surplus_at_mm": stock.surplus_at_mm,
        "surplus_area_mm2": stock.surplus_area_mm2,
        "low_max_mm": stock.low_max_mm,
        "low_area_mm2": stock.low_area_mm2,
        "low_volume_mm3": stock.low_volume_mm3,
        "low_spots": [asdict(spot) for spot in stock.low_spots],
        "covered_fraction": stock.covered_fraction,
        "distribution_mm": stock.distribution_mm,
        "within_tolerance": decision.within_tolerance,
        "tolerance_mm": settings.tolerance_mm,
        "decision": {
            "verdict": decision.verdict,
            "lower_mm": decision.lower_mm,
            "upper_mm": decision.upper_mm,
            "area_mm2": decision.area_mm2,
            "share": {name: area / max(total, 1e-12) for name, area in decision.area_mm2.items()},
            "rule": decision.rule,
        },
        "uncertainty_mm": asdict(stock.budget),
        "alignment": None if aligned is None else _alignment(stock),
        "warnings": [{"code": note.code, "text": note.text} for note in stock.notes],
    }
    cleaned: dict[str, Any] = plain(told)
    return cleaned


def _alignment(stock: Stock) -> dict[str, Any]:
    at = stock.alignment
    assert at is not None
    names = (
        *("offset_mm", "offset_u_mm", "angle_deg", "angle_u_deg", "twist_deg", "twist_u_deg"),
        *("slide_mm", "slide_u_mm", "rms_mm", "points", "share", "significant", "applied", "on", "moves_mm"),
    )
    told = {name: getattr(at, name) for name in names}
    return {**told, "not_seen": list(at.unseen), "matrix": at.matrix.tolist()}
