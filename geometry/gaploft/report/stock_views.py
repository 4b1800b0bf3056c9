"""Maps of a stock check on a target that can't be unrolled, as views from several sides."""

from typing import Any

from gaploft.report.picture import DARK, Figures, Picture
from gaploft.report.picture_views import lay_image, lay_lines, sheet_of_views, sides, ways_told
from gaploft.report.stock_scale import LABEL_INK, add_scale, label_keys, limit_lines, map_caption, scale_of
from gaploft.report.views import Views
from gaploft.stock.model import LABELS, Stock


def seen_map(figures: Figures, views: Views, stock: Stock) -> Picture:
    """The map of a target that can't be unrolled."""
    top, colours = scale_of(stock)
    sheet, panels = sheet_of_views(figures, views)
    image: Any = None
    for axes, view in panels:
        grid = view.shown(stock.stock_mm)
        image = lay_image(axes, view, grid, cmap=colours, vmin=-top, vmax=top)
        for level, dashes in limit_lines(stock):
            lay_lines(axes, view, grid, [level], colors=DARK, linewidths=0.8, linestyles=dashes)
    add_scale(sheet, image, [axes for axes, _ in panels])
    caption = map_caption(f"the target {sides(views)}", top, stock.settings.limits_mm)
    return figures.finished(sheet, f"{caption} {ways_told(views.lay, 'frame of the target')}", "stock")


def seen_labels(figures: Figures, views: Views, stock: Stock) -> Picture:
    """What is to be done where on a target that can't be unrolled."""
    from matplotlib.colors import ListedColormap

    inks = ListedColormap([LABEL_INK[name] for name in LABELS])
    sheet, panels = sheet_of_views(figures, views, legend_in=0.5)
    for axes, view in panels:
        lay_image(axes, view, view.nearest(stock.label), cmap=inks, vmin=-0.5, vmax=len(LABELS) - 0.5)
    sheet.legend(handles=label_keys(stock), fontsize=8, ncols=3, loc="outside upper center", frameon=False)
    caption = "What is to be done where, by the rule above, with areas."
    return figures.finished(sheet, caption, "stock")
