"""The figures behind the accuracy benchmark's tables and pictures, out of its rows.

A row is one tool on one case (see ``one_case.py``).
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

Row = Mapping[str, Any]

OURS = "gaploft"
#: Longest gap of each class in diameters; the last has no end.
CLASSES = {"≤ 1": 1.0, "≤ 2": 2.0, "≤ 4": 4.0, "> 4": np.inf}
#: What is aimed at on plain cases: rms, worst point (mm), and the share in the 95 % band.
GOALS = {
    "≤ 1": (0.005, 0.02, (0.93, 0.97)),
    "≤ 2": (0.010, 0.04, (0.93, 0.97)),
    "≤ 4": (0.03, 0.12, (0.90, 0.98)),
}
#: Under all adversities the errors may be so many times larger.
ADVERSE = 3.0
#: A larger error must not be called ready (mm).
SILENT_MM = 0.1
#: Not general any more: it is told that the scan is a tube along a cubic. Shown, and counted apart.
TUBE_AWARE = {"thin_plate_cubic"}
HALVES = ("development", "kept out")
PLAIN = "plain"


def class_of(row: Row) -> str:
    """The class of a case's gap in diameters."""
    length = row["gap_mm"] / row["tube_diameter_mm"]
    return next(name for name, longest in CLASSES.items() if length <= longest + 1e-9)


def key_of(row: Row) -> tuple[Any, ...]:
    """What tells one case from another."""
    return tuple(row[name] for name in ("family", "gap_mm", "variant", "seed", "adversity"))


def median(rows: Iterable[Row], name: str) -> float:
    """Median of a column over the rows that have it, NaN without any."""
    values = [row[name] for row in rows if row.get(name) is not None]
    return float(np.median(values)) if values else float("nan")


def best_general(rows: Sequence[Row], *, tube_aware: bool = False) -> dict[tuple[Any, ...], float]:
    """The smallest root mean square of any general tool, for each case; ``tube_aware`` ones if asked."""
    best: dict[tuple[Any, ...], float] = {}
    for row in rows:
        if row["tool"] == OURS or (row["tool"] in TUBE_AWARE and not tube_aware):
            continue
        if row.get("rms_mm") is not None:
            best[key_of(row)] = min(row["rms_mm"], best.get(key_of(row), np.inf))
    return best


def ratios(rows: Sequence[Row], *, tube_aware: bool = False) -> dict[tuple[Any, ...], float]:
    """The best general tool's rms over ours, for each case that both gave a surface on."""
    ours = {key_of(row): row["rms_mm"] for row in rows if row["tool"] == OURS and row.get("rms_mm")}
    return {
        key: best / ours[key]
        for key, best in best_general(rows, tube_aware=tube_aware).items()
        if key in ours
    }


def silently_bad(rows: Sequence[Row]) -> list[Row]:
    """Our rows that were called ready though a point is farther off than ``SILENT_MM``."""
    return [
        row
        for row in rows
        if row["tool"] == OURS
        and row.get("verdict") == "ready"
        and max(row.get("max_mm", 0.0), row.get("zone_max_mm", 0.0)) > SILENT_MM
    ]
