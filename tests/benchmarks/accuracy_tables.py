"""Tables of the accuracy benchmark: medians by length of gap, by tool and by adversity.

Medians are over cases with a surface; how many these are stands beside them.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from accuracy_figures import (
    ADVERSE,
    CLASSES,
    GOALS,
    HALVES,
    OURS,
    PLAIN,
    Row,
    best_general,
    class_of,
    median,
    ratios,
)


def by_length(rows: Sequence[Row], *, adverse: bool) -> list[dict[str, str]]:
    """Ours against the goals: a line for each half and class of gap length."""
    picked = [row for row in rows if "tube_diameter_mm" in row and (row["adversity"] != PLAIN) == adverse]
    lines = []
    for half in HALVES:
        for name in CLASSES:
            ours = [r for r in picked if r["half"] == half and r["tool"] == OURS and class_of(r) == name]
            if not ours:
                continue
            here = [row for row in picked if row["half"] == half and class_of(row) == name]
            lines.append(
                {
                    "half": half,
                    "gap, diameters": name,
                    "targets": f"{sum('rms_mm' in row for row in ours)} of {len(ours)}",
                    **_against_goal(ours, name, adverse),
                    "band, mean mm": _mm(median(ours, "band95_mean_mm")),
                    "bound mm": _mm(median(ours, "bound_rms_mm")),
                    **_against_general(here),
                }
            )
    return lines


def _against_goal(ours: Sequence[Row], name: str, adverse: bool) -> dict[str, str]:
    """Three columns: root mean square, worst point and share in the band, each beside its goal."""
    figures = (
        _mm(median(ours, "rms_mm")),
        _mm(median(ours, "max_mm")),
        _percent(median(ours, "in_band95")),
    )
    titles = ("rms mm", "worst mm", "in 95 % band")
    if name not in GOALS:
        return dict(zip(titles, figures, strict=True))
    rms, worst, (low, high) = GOALS[name]
    times = ADVERSE if adverse else 1.0
    goals = (f"≤ {rms * times:.3f}", f"≤ {worst * times:.2f}", f"{low:.0%} to {high:.0%}")
    return {title: f"{figure} ({goal})" for title, figure, goal in zip(titles, figures, goals, strict=True)}


def _against_general(rows: Sequence[Row]) -> dict[str, str]:
    """Three columns: the best general tool, and medians of its error over ours, case by case."""
    best = list(best_general(rows).values())
    columns = {"best general mm": _mm(float(np.median(best)) if best else float("nan"))}
    for title, tube_aware in (("general ÷ ours", False), ("÷ ours, with cubic", True)):
        times = list(ratios(rows, tube_aware=tube_aware).values())
        columns[title] = f"{np.median(times):.1f}" if times else "–"
    return columns


def by_tool(rows: Sequence[Row], titles: Mapping[str, str]) -> list[dict[str, str]]:
    """Every tool on the plain cases: a line for each tool and class of gap length, both halves together."""
    plain = [row for row in rows if row["adversity"] == PLAIN and "tube_diameter_mm" in row]
    lines = []
    for tool, title in titles.items():
        for name in CLASSES:
            here = [row for row in plain if row["tool"] == tool and class_of(row) == name]
            if here:
                lines.append(
                    {
                        "tool": title,
                        "gap, diameters": name,
                        "bridged": f"{sum('rms_mm' in row for row in here)} of {len(here)}",
                        "rms mm": _mm(median(here, "rms_mm")),
                        "95 % mm": _mm(median(here, "p95_mm")),
                        "worst mm": _mm(median(here, "max_mm")),
                        "normal, rms deg": f"{median(here, 'normal_rms_deg'):.2f}".replace("nan", "–"),
                        "seconds": f"{median(here, 'seconds'):.1f}".replace("nan", "–"),
                    }
                )
    return lines


def by_adversity(rows: Sequence[Row]) -> list[dict[str, str]]:
    """Ours under each adversity, and the best general tool there; the worst is the worst of all cases."""
    lines = []
    for name in dict.fromkeys(row["adversity"] for row in rows):
        here = [row for row in rows if row["adversity"] == name]
        ours = [row for row in here if row["tool"] == OURS]
        verdicts = [row.get("verdict", "failed") for row in ours]
        lines.append(
            {
                "adversity": name,
                "cases": str(len(ours)),
                "ready / check / refused": " / ".join(
                    str(verdicts.count(v)) for v in ("ready", "check", "refused")
                ),
                "rms mm": _mm(median(ours, "rms_mm")),
                "largest mm": _mm(max((row["max_mm"] for row in ours if "max_mm" in row), default=np.nan)),
                "in 95 % band": _percent(median(ours, "in_band95")),
                **_against_general(here),
            }
        )
    return lines


def _mm(value: float) -> str:
    return "–" if not np.isfinite(value) else f"{value:.4f}" if value < 0.1 else f"{value:.2f}"


def _percent(value: float) -> str:
    return "–" if not np.isfinite(value) else f"{value:.0%}"
