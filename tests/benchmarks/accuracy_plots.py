"""Pictures of the accuracy benchmark, readable in grey and by colour-blind people."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from accuracy_figures import GOALS, OURS, PLAIN, Row, median
from accuracy_tables import by_adversity

#: Marks differ too, so that colour is not needed to tell the tools apart.
_MARKS = "osD^v<>PX"
#: A logarithmic axis has no zero: bars start here (mm).
_BARS_FROM_MM = 1e-3


def draw_all(rows: Sequence[Row], titles: Mapping[str, str], folder: Path, name: str) -> list[Path]:
    """Write the three pictures that have something to show; gives their files."""
    drawn = []
    n_lines = len({row["adversity"] for row in rows})
    for suffix, draw, height in (
        ("error", _error, 5.0),
        ("band", _band, 5.0),
        ("adversities", _adversities, 1.5 + 0.35 * n_lines),
    ):
        figure = Figure(figsize=(9.0, height), layout="constrained")
        if draw(figure.subplots(), rows, titles):
            drawn.append(folder / f"{name}_{suffix}.png")
            figure.savefig(drawn[-1], dpi=150)
    return drawn


def _error(axes: Axes, rows: Sequence[Row], titles: Mapping[str, str]) -> bool:
    """Root mean square against the gap in diameters, each tool with its own mark."""
    plain = [r for r in rows if r["adversity"] == PLAIN and "rms_mm" in r]
    colours = matplotlib.colormaps["cividis"](np.linspace(0.0, 0.95, max(len(titles), 2)))
    for i, (tool, title) in enumerate(titles.items()):
        here = [row for row in plain if row["tool"] == tool]
        if not here:
            continue  # a tool that bridges nothing has no error; the tables say so
        length = [row["gap_mm"] / row["tube_diameter_mm"] for row in here]
        axes.plot(
            length,
            [row["rms_mm"] for row in here],
            _MARKS[i % len(_MARKS)],
            color=colours[i],
            label=f"{title} ({len(here)})",
            markersize=7 if tool == OURS else 5,
            markeredgecolor="black" if tool == OURS else "none",
        )
    low = 0.0
    for name, (rms, _, _) in GOALS.items():
        high = float(name.split()[1])
        axes.plot([low, high], [rms, rms], "k--", linewidth=1.2, label="goal" if low == 0.0 else None)
        low = high
    axes.set(xlabel="gap / diameter", ylabel="root mean square error, mm", yscale="log")
    axes.legend(fontsize="small", loc="center left", bbox_to_anchor=(1.0, 0.5))
    return bool(plain)


def _band(axes: Axes, rows: Sequence[Row], titles: Mapping[str, str]) -> bool:
    """Share of the original inside our 95 % band against the gap, plain and adverse."""
    del titles  # ours alone claims a band
    ours = [r for r in rows if r["tool"] == OURS and "in_band95" in r]
    for plain, mark in ((False, "^"), (True, "o")):
        here = [row for row in ours if (row["adversity"] == PLAIN) == plain]
        axes.plot(
            [row["gap_mm"] / row["tube_diameter_mm"] for row in here],
            [100.0 * row["in_band95"] for row in here],
            mark,
            color="black" if plain else "#b8a45a",
            label=f"{'plain' if plain else 'adverse'} ({len(here)}, median {median(here, 'in_band95'):.0%})",
        )
    axes.axhline(95.0, color="black", linestyle="--", linewidth=1.2)
    axes.set(xlabel="gap / diameter", ylabel="original inside the 95 % band, %", ylim=(None, 101.0))
    axes.legend(fontsize="small")
    return bool(ours)


def _adversities(axes: Axes, rows: Sequence[Row], titles: Mapping[str, str]) -> bool:
    """Median root mean square under each adversity, ours beside the best general tool."""
    del titles
    lines = by_adversity(rows)
    at = np.arange(len(lines))
    for shift, column, colour, label in (
        (-0.2, "rms mm", "#00224e", "ours"),
        (0.2, "best general mm", "#b8a45a", "best general tool"),
    ):
        size = [np.nan if line[column] == "–" else float(line[column]) for line in lines]
        axes.barh(at + shift, size, 0.4, color=colour, label=label)
    axes.set_yticks(at, [line["adversity"] for line in lines])
    axes.invert_yaxis()
    axes.set(xlabel="median root mean square error, mm", xscale="log", xlim=(_BARS_FROM_MM, None))
    axes.legend(fontsize="small")
    return len(lines) > 1
