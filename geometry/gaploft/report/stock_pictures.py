"""Pictures of a stock check: the map over the target, what is to be done where, and a histogram."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.report.picture import DARK, Figures, Picture, plain
from gaploft.report.stock_scale import LABEL_INK, add_scale, label_keys, limit_lines, map_caption, scale_of
from gaploft.report.stock_views import seen_labels, seen_map
from gaploft.report.views import views_of
from gaploft.stock.model import LABELS, Stock, TargetSkin
from gaploft.target.rings import along_centres

_MOST = 400
_BINS = 60


def draw_stock(target: TargetSkin, stock: Stock) -> tuple[Picture, ...]:
    """Draw maps over an unrolled tube, or views of a target that has no rings; nothing without matplotlib."""
    try:
        from matplotlib.figure import Figure
    except ImportError:
        return ()
    figures = Figures(Figure)
    if target.shape is not None:
        maps = [_map(figures, target, stock), _labels(figures, target, stock)]
    else:
        views = views_of(target.vertices_mm, target.faces)
        maps = [seen_map(figures, views, stock), seen_labels(figures, views, stock)]
    return (*maps, _histogram(figures, stock))


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
    values, along = _grid(target, stock.stock_mm)
    top, colours = scale_of(stock)
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
    x = np.linspace(*along, values.shape[0])
    y = np.linspace(0.0, 360.0, values.shape[1])
    for level, dashes in limit_lines(stock):
        if np.nanmin(values) < level < np.nanmax(values):
            axes.contour(x, y, values.T, levels=[level], colors=DARK, linewidths=0.8, linestyles=dashes)
    _dressed(axes)
    add_scale(sheet, image, axes)
    caption = map_caption("the unrolled target", top, stock.settings.limits_mm)
    return figures.finished(sheet, caption, "stock")


def _labels(figures: Figures, target: TargetSkin, stock: Stock) -> Picture:
    from matplotlib.colors import ListedColormap

    values, along = _grid(target, stock.label)
    sheet = figures.sheet(2.7)
    axes = sheet.subplots()
    axes.imshow(
        values.T,
        cmap=ListedColormap([LABEL_INK[name] for name in LABELS]),
        vmin=-0.5,
        vmax=len(LABELS) - 0.5,
        extent=(*along, 0.0, 360.0),
        origin="lower",
        aspect="auto",
        interpolation="nearest",
    )
    _dressed(axes)
    axes.legend(
        handles=label_keys(stock), loc="upper left", bbox_to_anchor=(1.01, 1.0), fontsize=8, frameon=False
    )
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
