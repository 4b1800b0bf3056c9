"""Colours, lines and words that all maps of a stock check share."""

from typing import Any

import numpy as np

from gaploft.report.colours import signed_scale, srgb
from gaploft.report.picture import DARK
from gaploft.stock.model import LABELS, Stock

#: No data, and what is to be done at a place: each grey or hue of its own lightness, for print in grey too.
NO_DATA = "#b4b4b4"
LABEL_INK = {
    "unseen": NO_DATA,
    "grind": "#1f5f86",
    "leave": "#f2efe9",
    "undecided": "#d9c27a",
    "fill": "#6b1a12",
}


def scale_of(stock: Stock) -> tuple[float, Any]:
    """The range of the colours to both sides, mm, and the colours."""
    from matplotlib.colors import ListedColormap

    seen = stock.stock_mm[stock.seen]
    top = max(float(np.abs(np.percentile(seen, [1, 99])).max()), stock.settings.tolerance_mm)
    return top, ListedColormap(srgb(signed_scale(top).table)).with_extremes(bad=NO_DATA)


def add_scale(sheet: Any, image: Any, axes: Any) -> None:
    """The bar with the numbers of the colours, beside one panel or several."""
    bar = sheet.colorbar(image, ax=axes, format="%+.2f", pad=0.02)
    bar.set_label("mm above the target", fontsize=9)
    bar.ax.tick_params(labelsize=8)


def map_caption(over: str, top: float, limits: tuple[float, float]) -> str:
    """What a map shows, in words: over what, how far its colours go, and its lines."""
    lower, upper = limits
    return (
        f"Stock over {over}, colours from {-top:.2f} to {top:.2f} mm, neutral at zero, grey "
        f"where nothing was seen. The solid line runs where it is at the lower limit, {lower:+.3f} mm, the "
        f"dashed one at the upper limit, {upper:+.3f} mm."
    )


def limit_lines(stock: Stock) -> list[tuple[float, str]]:
    """Values of the limits that there are, and how their lines are drawn."""
    both = zip(stock.settings.limits_mm, ("solid", "dashed"), strict=True)
    return [(level, dashes) for level, dashes in both if np.isfinite(level)]


def label_keys(stock: Stock) -> list[Any]:
    """What the colours of labels mean, with areas."""
    from matplotlib.patches import Patch

    area = stock.decision.area_mm2
    return [
        Patch(facecolor=LABEL_INK[name], edgecolor=DARK, label=f"{name}: {area[name]:.0f} mm²")
        for name in LABELS
    ]
