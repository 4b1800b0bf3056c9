"""Tables of the benchmark of stiffness: medians over cases, and every case."""

from collections.abc import Sequence
from itertools import product
from typing import Any

import numpy as np

Row = dict[str, Any]

#: What the others are compared with.
LIKELIHOOD = "likelihood"


def summary(rows: Sequence[Row]) -> list[dict[str, str]]:
    """Medians over cases, a line for each gap and way."""
    lines = []
    base = {_case(row): row for row in rows if row["way"] == LIKELIHOOD}
    for gap, way in product(
        dict.fromkeys(row["gap_mm"] for row in rows), dict.fromkeys(r["way"] for r in rows)
    ):
        here = [row for row in rows if row["gap_mm"] == gap and row["way"] == way]
        times = [row["rms_mm"] / base[_case(row)]["rms_mm"] for row in here]
        claimed = [row["rms_mm"] / row["posterior_mm"] for row in here if "posterior_mm" in row]
        lines.append(
            {
                "gap mm": f"{gap:g}",
                "chosen by": way,
                "cases": str(len(here)),
                "rms mm": _median([row["rms_mm"] for row in here], 4),
                "worst mm": _median([row["worst_mm"] for row in here], 4),
                "rms ÷ likelihood's": _median(times, 2),
                "largest": f"{max(times):.2f}",
                "posterior rms mm": _median([r["posterior_mm"] for r in here if "posterior_mm" in r], 4),
                "rms ÷ posterior": _median(claimed, 2),
                "seconds": _median([row["seconds"] for row in here], 2),
                "factorisations": _median([row["factorisations"] for row in here], 0),
            }
        )
    return lines


def _case(row: Row) -> tuple[Any, ...]:
    return row["family"], row["gap_mm"], row["seed"]


def _median(values: Sequence[float], digits: int) -> str:
    return f"{np.median(values):.{digits}f}" if values else "–"


def each_case(rows: Sequence[Row]) -> list[dict[str, str]]:
    """Root mean squares in mm, a line for each case, a column for each way; what was chosen in brackets."""
    lines = []
    for case in dict.fromkeys(_case(row) for row in rows):
        here = [row for row in rows if _case(row) == case]
        line = {"family": case[0], "gap mm": f"{case[1]:g}", "seed": str(case[2])}
        line |= {"diameters": f"{here[0]['diameters']:.1f}", "fit chose": here[0]["fit_chose"]}
        for row in here:
            line[row["way"]] = f"{row['rms_mm']:.4f}" + (f" ({row['places']})" if "places" in row else "")
        lines.append(line)
    return lines
