"""Pictures of a target that is a patch: what is rebuilt, values over it, the band from the rim inwards."""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.evidence.rim import corner_areas, facet_normals, rim_edges
from gaploft.evidence.verdict import TOLERANCE_MM
from gaploft.report.colours import legend_ticks, srgb, zone_rgba
from gaploft.report.picture import DARK, PETROL, RUST, Figures, Picture, colour_map, plain
from gaploft.report.picture_views import (
    lay_image,
    lay_numbers,
    lay_rim,
    numbers_told,
    sheet_of_views,
    sides,
    ways_told,
)
from gaploft.report.pictures_map import Map
from gaploft.report.views import Views
from gaploft.target.model import ORIGINS, Target

Floats = NDArray[np.float64]

#: Inches that a legend of one line takes.
_LEGEND_IN = 0.3
#: Colours of what a surface stands on, in the order of ``ORIGINS``: each is a good step lighter than the one
#: before, so that they are told apart with any colour vision and on grey paper.
ORIGIN_COLOURS = ("#1f5f86", "#d9922e", "#cfe6da")
ORIGIN_WORDS = ("loft of a tube", "fillet", "fair surface of its own")
#: Even steps from the rim inwards in which the band is told.
_BINS = 40


def draw_zones(figures: Figures, target: Target, views: Views) -> Picture:
    """What is rebuilt and what is intact overlap, with their areas, and which way the patch lies."""
    from matplotlib.colors import ListedColormap
    from matplotlib.patches import Patch

    colours = srgb(zone_rgba([0, 1]))
    areas = _areas(target)
    rebuilt = target.zone == 1
    told = (("intact overlap", float(areas[~rebuilt].sum())), ("rebuilt", float(areas[rebuilt].sum())))
    sheet, panels = sheet_of_views(figures, views, legend_in=_LEGEND_IN)
    for axes, view in panels:
        lay_image(axes, view, view.shown(target.zone) > 0.5, cmap=ListedColormap(colours), vmin=0, vmax=1)
        lay_rim(axes, view, target.zone)
    keys = [
        Patch(facecolor=colour, edgecolor=DARK, label=f"{name}: {area:,.0f} mm²")
        for colour, (name, area) in zip(colours, told, strict=True)
    ]
    sheet.legend(handles=keys, fontsize=8, ncols=2, loc="outside upper center", frameon=False)
    told_ways = ways_told(views.lay, "scan")
    caption = f"The target {sides(views)}, and what of it is rebuilt, in mm. {told_ways}"
    return figures.finished(sheet, caption, "evidence")


def draw_origin(figures: Figures, target: Target, views: Views) -> Picture:
    """What the surface stands on: the loft of a tube, a fillet, or itself; with areas of the rebuilt zone."""
    from matplotlib.colors import ListedColormap
    from matplotlib.patches import Patch

    origin = np.zeros(len(target.zone), dtype=np.uint8) if target.origin is None else target.origin
    areas = _areas(target) * (target.zone == 1)
    sheet, panels = sheet_of_views(figures, views, legend_in=_LEGEND_IN)
    for axes, view in panels:
        last = len(ORIGINS) - 1
        lay_image(axes, view, view.nearest(origin), cmap=ListedColormap(ORIGIN_COLOURS), vmin=0, vmax=last)
        lay_rim(axes, view, target.zone)
    keys = [
        Patch(facecolor=colour, edgecolor=DARK, label=f"{words}: {areas[origin == k].sum():,.0f} mm²")
        for k, (colour, words) in enumerate(zip(ORIGIN_COLOURS, ORIGIN_WORDS, strict=True))
        if (origin == k).any()
    ]
    sheet.legend(handles=keys, fontsize=8, ncols=3, loc="outside upper center", frameon=False)
    caption = (
        f"What the surface stands on, {sides(views)}; areas are those of the rebuilt zone, within the dashed "
        "line."
    )
    return figures.finished(sheet, caption, "patch")


def draw_over(figures: Figures, target: Target, views: Views, shown: Map) -> Picture:
    """Draw values over a patch; the caption states their limits, the scale's, and where the worst is."""
    values = shown.values_mm
    least, most = float(values.min()), float(values.max())
    top = max(most, shown.top_mm)
    bottom = 0.0 if shown.from_zero else least
    sheet, panels = sheet_of_views(figures, views)
    image: Any = None
    for number, (axes, view) in enumerate(panels):
        grid = view.shown(values)
        image = lay_image(axes, view, grid, cmap=colour_map(top, least=shown.least), vmin=bottom, vmax=top)
        lay_rim(axes, view, target.zone)
        if number % 3 == 0:  # from the sides there is no room for numbers
            lay_numbers(axes, view, grid, top)
    axes_of_all = [axes for axes, _ in panels]
    bar = sheet.colorbar(image, ax=axes_of_all, ticks=legend_ticks(bottom, top), format="%.3f", pad=0.02)
    bar.set_label(shown.label, fontsize=9)
    bar.ax.tick_params(labelsize=8)
    worst = int(values.argmin() if shown.least else values.argmax())
    caption = (
        f"{shown.title[:1].upper()}{shown.title[1:]} over the target {sides(views)}: {least:.3f} to "
        f"{most:.3f} mm, colours from {bottom:.3f} to {top:.3f} mm"
        f"{', darkest where least' if shown.least else ''}. The dashed line parts the rebuilt zone from "
        f"the intact overlap. {'Least' if shown.least else 'Most'} at "
        f"({numbers_told(target.vertices_mm[worst], 1)}) mm in the scan."
    )
    return figures.finished(sheet, caption, shown.topic)


def draw_from_rim(figures: Figures, target: Target) -> Picture:
    """Median and largest band against the distance from the rim, beside the tolerance of the verdict."""
    away, middle, most = band_from_rim(target)
    sheet = figures.sheet(2.2)
    axes = sheet.subplots()
    plain(axes)
    axes.plot(away, most, color=DARK, linewidth=1.5, label="largest")
    axes.plot(away, middle, color=PETROL, linewidth=1.3, linestyle="--", label="median")
    axes.axhline(TOLERANCE_MM, color=RUST, linewidth=1.0, linestyle=":", label=f"limit {TOLERANCE_MM:.2f} mm")
    axes.set_ylim(0.0, 1.15 * max(float(most.max(initial=0.0)), TOLERANCE_MM))
    axes.set_xlim(0.0, max(float(away.max(initial=0.0)), 1e-3))
    axes.set_xlabel("from the rim into the rebuilt zone, mm", fontsize=9)
    axes.set_ylabel("band, ± mm", fontsize=9)
    axes.legend(fontsize=8, ncols=3, loc="lower center", bbox_to_anchor=(0.5, 1.0), frameon=False)
    caption = (
        "Half width of the 95 % band over the rebuilt zone against the distance from its rim, in mm. Above "
        "the dotted line the verdict is not 'ready'; leave that much stock there."
    )
    return figures.finished(sheet, caption, "evidence")


def band_from_rim(target: Target) -> tuple[Floats, Floats, Floats]:
    """Distances from the rim, (k,) mm, and the median and largest band of the rebuilt zone about each."""
    rebuilt = target.zone == 1
    rim = np.unique(rim_edges(target.facets, rebuilt))
    inside = np.flatnonzero(rebuilt)
    if len(rim) == 0 or len(inside) == 0:
        return np.empty(0), np.empty(0), np.empty(0)
    away = cKDTree(target.vertices_mm[rim]).query(target.vertices_mm[inside])[0]
    band = target.band95_mm[inside]
    step = np.minimum((away * (_BINS / max(float(away.max()), 1e-9))).astype(np.intp), _BINS - 1)
    order = np.argsort(step, kind="stable")
    parts = np.split(order, np.flatnonzero(np.diff(step[order])) + 1)
    return (
        np.array([away[part].mean() for part in parts]),
        np.array([np.median(band[part]) for part in parts]),
        np.array([band[part].max() for part in parts]),
    )


def _areas(target: Target) -> Floats:
    """The area about each vertex, (n,)."""
    facets = target.triangles.astype(np.int64)
    sizes = np.linalg.norm(facet_normals(target.vertices_mm, facets), axis=1)
    return corner_areas(sizes, facets, len(target.vertices_mm))
