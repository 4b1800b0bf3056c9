"""Tables of the patch benchmark, out of its rows: one tool on one case each."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from measuring import markdown_table

Row = Mapping[str, Any]
Key = tuple[Any, ...]

OURS = "gaploft"
HALVES = ("development", "kept out")
_ABOUT = ("case", "seed", "noise_mm", "rim")


def report(rows: Sequence[Row], titles: Mapping[str, str]) -> str:
    """The whole report as Markdown; ``titles`` names the general tools, in the order of their columns."""
    margins = sorted({row["margin_mm"] for row in rows if "margin_mm" in row})
    shown = [*margins, None] if len(margins) > 1 else margins or [None]
    parts = [
        "# Patches: ours and general tools\n",
        "Errors in mm, root mean square / largest, along the original's normals at points spread over the "
        "marked area. 'best' is the best general tool of each case.\n",
        "## Medians\n\n" + markdown_table([line for margin in shown for line in by_half(rows, margin)]),
        *(
            f"## Cases, general tools at {margin:g} mm from the marks\n\n"
            + markdown_table(by_case(rows, titles, margin))
            for margin in margins
        ),
    ]
    if any(row["tool"] == OURS for row in rows):
        parts.append("## Ours\n\n" + markdown_table(our_cases(rows)))
    if titles:
        parts.append("## Tools\n\n" + markdown_table(by_tool(rows, titles)))
    return "\n".join(parts)


def key_of(row: Row) -> Key:
    """What tells one case from another."""
    return tuple(row[name] for name in _ABOUT)


def best_general(rows: Sequence[Row], margin: float | None = None) -> dict[Key, Row]:
    """The row of the general tool with the smallest root mean square on each case; at any margin for None."""
    best: dict[Key, Row] = {}
    for row in rows:
        told = row["tool"] != OURS and "rms_mm" in row and margin in (None, row["margin_mm"])
        if told and row["rms_mm"] < best.get(key_of(row), {"rms_mm": np.inf})["rms_mm"]:
            best[key_of(row)] = row
    return best


def ratios(rows: Sequence[Row], margin: float | None = None) -> dict[Key, float]:
    """The best general tool's root mean square over ours, for each case that both closed."""
    ours = {key_of(row): row["rms_mm"] for row in rows if row["tool"] == OURS and "rms_mm" in row}
    best = best_general(rows, margin)
    return {key: row["rms_mm"] / ours[key] for key, row in best.items() if key in ours}


def by_half(rows: Sequence[Row], margin: float | None) -> list[dict[str, str]]:
    """Medians of each half of the cases, with the general tools at one margin."""
    lines = []
    for half in HALVES:
        here = [row for row in rows if row.get("half") == half]
        if not here:
            continue
        ours = [row for row in here if row["tool"] == OURS]
        best = [row["rms_mm"] for row in best_general(here, margin).values()]
        times = list(ratios(here, margin).values())
        lines.append(
            {
                "half": half,
                "margin": "any" if margin is None else f"{margin:g}",
                "cases": str(len({key_of(row) for row in here})),
                "ours closed": str(sum("rms_mm" in row for row in ours)),
                "ours rms": _mm(_median(ours, "rms_mm")),
                "ours largest": _mm(_median(ours, "max_mm")),
                "best general rms": _mm(float(np.median(best)) if best else np.nan),
                "best ÷ ours": f"{np.median(times):.1f}" if times else "–",
                "3 times or more": f"{sum(t >= 3.0 for t in times)} of {len(times)}",
                "in 95 % band": _percent(_median(ours, "in_band95")),
            }
        )
    return lines


def by_case(rows: Sequence[Row], titles: Mapping[str, str], margin: float) -> list[dict[str, str]]:
    """A line for each case: every tool's errors and ours, and the best of them over ours."""
    best, times = best_general(rows, margin), ratios(rows, margin)
    lines = []
    for key in dict.fromkeys(map(key_of, rows)):
        here = [row for row in rows if key_of(row) == key and row.get("margin_mm", margin) == margin]
        errors = {row["tool"]: _both(row) for row in here}
        lines.append(
            {
                **_named(here[0], key),
                **({"ours": errors[OURS]} if OURS in errors else {}),
                **{title: errors.get(tool, "–") for tool, title in titles.items()},
                "best": titles[best[key]["tool"]] if key in best else "–",
                "best ÷ ours": f"{times[key]:.1f}" if key in times else "–",
            }
        )
    return lines


def our_cases(rows: Sequence[Row]) -> list[dict[str, str]]:
    """A line for each of our patches: verdict, errors, band and seam."""
    return [
        {
            **_named(row, key_of(row)),
            "verdict": str(row.get("verdict", "failed")),
            "rms / largest": _both(row),
            "in 95 % band": _percent(row.get("in_band95", np.nan)),
            "band, mean": _mm(row.get("band95_mean_mm", np.nan)),
            "seam step": _mm(row.get("seam_step_mm", np.nan)),
            "seam angle °": _mm(row.get("seam_angle_deg", np.nan)),
            "seconds": f"{row.get('seconds', np.nan):.1f}".replace("nan", "–"),
            "note": str(row.get("note", "")),
        }
        for row in rows
        if row["tool"] == OURS
    ]


def by_tool(rows: Sequence[Row], titles: Mapping[str, str]) -> list[dict[str, str]]:
    """A line for each general tool and margin: on how many cases it closed the patch, and medians there."""
    lines = []
    for tool, title in titles.items():
        for margin in sorted({row["margin_mm"] for row in rows if row["tool"] == tool}):
            here = [row for row in rows if row["tool"] == tool and row["margin_mm"] == margin]
            lines.append(
                {
                    "tool": title,
                    "margin": f"{margin:g}",
                    "closed": f"{sum('rms_mm' in row for row in here)} of {len(here)}",
                    "rms": _mm(_median(here, "rms_mm")),
                    "largest": _mm(_median(here, "max_mm")),
                    "normal, rms °": _mm(_median(here, "normal_rms_deg")),
                    "seconds": f"{_median(here, 'seconds'):.1f}".replace("nan", "–"),
                }
            )
    return lines


def _named(row: Row, key: Key) -> dict[str, str]:
    """The first columns of a case."""
    name, seed, noise, rim = key
    return {"case": f"{name}, seed {seed}, {noise:g} mm, {rim}", "size": f"{row.get('size_mm', np.nan):g}"}


def _median(rows: Sequence[Row], name: str) -> float:
    values = [row[name] for row in rows if name in row]
    return float(np.median(values)) if values else float("nan")


def _both(row: Row) -> str:
    return f"{_mm(row['rms_mm'])} / {_mm(row['max_mm'])}" if "rms_mm" in row else "–"


def _mm(value: float) -> str:
    return "–" if not np.isfinite(value) else f"{value:.4f}" if value < 0.1 else f"{value:.2f}"


def _percent(value: float) -> str:
    return "–" if not np.isfinite(value) else f"{value:.0%}"
