"""Pictures of a stock check: the map over the unrolled target, what is to be done where, and a histogram."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.report.colours import signed_scale, srgb
from gaploft.report.picture import DARK, Figures, Picture, plain
from gaploft.stock.model import LABELS, Stock, TargetSkin
from gaploft.target.rings import along_centres

#: No data, and what is to be done at a place: each grey or hue of its own lightness, for print in grey too.
_NO_DATA = "#b4b4b4"
_LABEL_INK = {
    "unseen": _NO_DATA,
    "grind": "#1f5f86",
    "leave": "#f2efe9",
    "undecided": "#d9c27a",
    "fill": "#6b1a12",
}
_MOST = 400
_BINS = 60


def draw_stock(target: TargetSkin, stock: Stock) -> tuple[Picture, ...]:
    """Draw a stock check; no maps for a target that is no rings, and nothing without matplotlib."""
    try:
        from matplotlib.figure import Figure
    except ImportError:
        return ()
    figures = Figures(Figure)
    pictures = [_histogram(figures, stock)]
    if target.shape is not None:
        pictures = [_map(figures, target, stock), _labels(figures, target, stock), *pictures]
    return tuple(pictures)


def _grid(target: TargetSkin, values: NDArray[Any]) -> tuple[NDArray[Any], tuple[float, float]]:
    """Values as rings and lines, thinned, and the length along the rings' centres."""
    assert target.shape is not None
    n_u, n_v = target.shape
    length = float(along_centres(target.vertices_mm[: n_u * n_v].reshape(n_u, n_v, 3))[-1])
    rows = np.linspace(0, n_u - 1, min(n_u, _MOST)).round().astype(int)
    lines = np.linspace(0, n_v - 1, min(n_v, _MOST)).round().astype(int)
    return values[: n_u * n_v].reshape(n_u, n_v)[np.ix_(rows, lines)], (0.0, length)


def _dressed(axes: Any) -> None:
    axes.set_xlabel("along the target from its first ring, mm", fontsize=9)
    axes.set_ylabel("angle, ° from its first line", fontsize=9)
    axes.set_yticks([0, 90, 180, 270, 360])
    axes.tick_params(labelsize=8)


def _map(figures: Figures, target: TargetSkin, stock: Stock) -> Picture:
    from matplotlib.colors import ListedColormap

    values, along = _grid(target, stock.stock_mm)
    seen = stock.stock_mm[stock.seen]
    top = max(float(np.abs(np.percentile(seen, [1, 99])).max()), stock.settings.tolerance_mm)
    colours = ListedColormap(srgb(signed_scale(top).table)).with_extremes(bad=_NO_DATA)
    sheet = figures.sheet(2.7)
    axes = sheet.subplots()
    image = axes.imshow(
        np.ma.masked_invalid(values.T),
        cmap=colours,
        vmin=-top,
        vmax=top,
        extent=(*along, 0.0, 360.0),
        origin="lower",
        aspect="auto",
        interpolation="nearest",
    )
    lower, upper = stock.settings.limits_mm
    x = np.linspace(*along, values.shape[0])
    y = np.linspace(0.0, 360.0, values.shape[1])
    for level, dashes in ((lower, "solid"), (upper, "dashed")):
        if np.isfinite(level) and np.nanmin(values) < level < np.nanmax(values):
            axes.contour(x, y, values.T, levels=[level], colors=DARK, linewidths=0.8, linestyles=dashes)
    _dressed(axes)
    bar = sheet.colorbar(image, ax=axes, format="%+.2f", pad=0.02)
    bar.set_label("mm above the target", fontsize=9)
    bar.ax.tick_params(labelsize=8)
    caption = (
        f"Stock over the unrolled target, colours from {-top:.2f} to {top:.2f} mm, neutral at zero, grey "
        f"where nothing was seen. The solid line runs where it is at the lower limit, {lower:+.3f} mm, the "
        f"dashed one at the upper limit, {upper:+.3f} mm."
    )
    return figures.finished(sheet, caption, "stock")


def _labels(figures: Figures, target: TargetSkin, stock: Stock) -> Picture:
    from matplotlib.colors import ListedColormap
    from matplotlib.patches import Patch

    values, along = _grid(target, stock.label)
    sheet = figures.sheet(2.7)
    axes = sheet.subplots()
    axes.imshow(
        values.T,
        cmap=ListedColormap([_LABEL_INK[name] for name in LABELS]),
        vmin=-0.5,
        vmax=len(LABELS) - 0.5,
        extent=(*along, 0.0, 360.0),
        origin="lower",
        aspect="auto",
        interpolation="nearest",
    )
    _dressed(axes)
    area = stock.decision.area_mm2
    keys = [
        Patch(facecolor=_LABEL_INK[name], edgecolor=DARK, label=f"{name}: {area[name]:.0f} mm²")
        for name in LABELS
    ]
    axes.legend(handles=keys, loc="upper left", bbox_to_anchor=(1.01, 1.0), fontsize=8, frameon=False)
    caption = "What is to be done where, by the rule above, with areas."
    return figures.finished(sheet, caption, "stock")


def _histogram(figures: Figures, stock: Stock) -> Picture:
    seen = stock.stock_mm[stock.seen]
    sheet = figures.sheet(1.9)
    axes = sheet.subplots()
    axes.hist(seen, bins=_BINS, color="#8fa3b8", edgecolor="none")
    for limit in stock.settings.limits_mm:
        if np.isfinite(limit):
            axes.axvline(limit, color=DARK, linewidth=1.0, linestyle="dashed")
    axes.axvline(0.0, color=DARK, linewidth=1.0)
    axes.set_xlabel("mm above the target", fontsize=9)
    axes.set_ylabel("vertices", fontsize=9)
    plain(axes)
    caption = (
        f"How often which stock was found, {len(seen):,} vertices. Dashed: the limits; solid: the target."
    )
    return figures.finished(sheet, caption, "stock")
