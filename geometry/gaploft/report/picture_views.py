"""Sheets with views of a surface that has no rings, all at one scale, and what is drawn into them."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.report.colours import legend_ticks
from gaploft.report.picture import DARK, Figures
from gaploft.report.views import WAYS, View, Views
from gaploft.target.lay import Lay

Floats = NDArray[np.float64]

#: Inches across the page that views share, what stands above and below each, and how high one may be.
_ACROSS_IN, _AROUND_IN, _HIGHEST_IN = 5.2, 0.8, 3.2
#: Lines of equal value are drawn where values differ by more than this share of the largest.
_LINES_SHARE = 1e-3


def sheet_of_views(
    figures: Figures, views: Views, *, legend_in: float = 0.0
) -> tuple[Any, list[tuple[Any, View]]]:
    """A sheet with a panel for each view, three in a row, a millimetre being as long in each.

    ``legend_in`` is room to be left above them.
    """
    length, width, height = np.maximum(views.lay.spans_mm, 1e-3 * views.lay.spans_mm.max())
    span = 1.04 * max(width, height)
    high = min(_ACROSS_IN * span / (2.0 * length + width), _HIGHEST_IN)
    rows = len(views.views) // 3
    sheet = figures.sheet(rows * (high + _AROUND_IN) + legend_in)
    panels = sheet.subplots(rows, 3, squeeze=False, width_ratios=(length, length, width)).ravel()
    for axes, view in zip(panels, views.views, strict=True):
        left, right, low, top = view.extent_mm
        axes.set_aspect("equal")
        axes.set_xlim(*((right, left) if view.mirrored else (left, right)))
        axes.set_ylim(0.5 * (low + top - span), 0.5 * (low + top + span))
        axes.set_title(view.title, fontsize=9)
        axes.set_xlabel(f"{WAYS[view.right]}, mm", fontsize=8)
        axes.set_ylabel(f"{WAYS[view.up]}, mm", fontsize=8)
        axes.tick_params(labelsize=7)
        axes.spines[["top", "right"]].set_visible(False)
    return sheet, list(zip(panels, views.views, strict=True))


def lay_image(axes: Any, view: View, grid: NDArray[np.generic], **how: Any) -> Any:
    """Colours of a grid from :meth:`View.shown` where they belong; without colour where nothing is.

    What is there and has no value gets the colour that the map has for it.
    """
    image = axes.imshow(
        np.ma.masked_invalid(grid),
        alpha=view.covered.astype(np.float64),
        extent=view.extent_mm,
        origin="lower",
        interpolation="nearest",
        aspect="equal",
        **how,
    )
    # An image would set the limits to its own.
    left, right, _, _ = view.extent_mm
    axes.set_xlim(*((right, left) if view.mirrored else (left, right)))
    return image


def lay_lines(axes: Any, view: View, grid: Floats, levels: list[float], **how: Any) -> Any:
    """Lines where a grid has some values, not along the edges of what stands in front; None without any."""
    smooth = np.ma.masked_where(view.edges | ~np.isfinite(grid), grid)
    inside = [level for level in levels if smooth.min() < level < smooth.max()] if smooth.count() else []
    if not inside:
        return None
    left, right, low, top = view.extent_mm
    rows, columns = grid.shape
    x = left + (np.arange(columns) + 0.5) * (right - left) / columns
    y = low + (np.arange(rows) + 0.5) * (top - low) / rows
    return axes.contour(x, y, smooth, levels=inside, **how)


def lay_rim(axes: Any, view: View, zone: NDArray[np.generic]) -> None:
    """The dashed line between the rebuilt zone and the intact overlap."""
    lay_lines(axes, view, view.shown(zone), [0.5], colors=DARK, linewidths=1.3, linestyles="dashed")


def lay_numbers(axes: Any, view: View, grid: Floats, top: float) -> None:
    """Lines of equal value with their numbers, where values differ."""
    seen = grid[np.isfinite(grid)]
    if len(seen) == 0 or np.ptp(seen) <= _LINES_SHARE * top:
        return
    inside = legend_ticks(float(seen.min()), float(seen.max()))[1:-1].tolist()
    lines = lay_lines(axes, view, grid, inside, colors=DARK, linewidths=0.5)
    if lines is None:
        return
    for label in axes.clabel(lines, fmt="%.3f", fontsize=7, colors="black"):
        label.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 1.0})


def ways_told(lay: Lay, frame: str) -> str:
    """Which ways a surface's own directions run in a frame, as a sentence."""
    ways = [f"{name} is ({numbers_told(way, 2)})" for name, way in zip(WAYS, lay.ways, strict=True)]
    return (
        f"Its directions in the {frame}: {', '.join(ways)}, all counted from "
        f"({numbers_told(lay.middle_mm, 1)}) mm."
    )


def numbers_told(values: Floats, digits: int) -> str:
    """Numbers with commas between them; nothing is never negative."""
    return ", ".join(f"{round(float(value), digits) + 0.0:.{digits}f}" for value in values)


def sides(views: Views) -> str:
    """From how many sides the views are seen, in words."""
    return "from three sides" if len(views.views) == 3 else "from all six sides"
