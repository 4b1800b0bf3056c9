"""Values over the unrolled target, from light to dark, with numbered lines as a second cue."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.report.colours import legend_ticks
from gaploft.report.picture import DARK, Figures, Picture, colour_map
from gaploft.report.unrolled import Unrolled
from gaploft.target.model import Target

#: Lines are drawn where values differ by more than this share of the largest.
_LINES_SHARE = 1e-3


@dataclass(frozen=True)
class Map:
    """What is shown over the target.

    Attributes
    ----------
    topic, title : part of the report, and the words for ``values_mm``
    values_mm : (n,) at the target's vertices
    label : unit beside the scale
    least : the small values are those to look at, and the dark ones
    from_zero : the scale begins at zero and not at the least value
    top_mm : the scale ends there, or at the largest value if that is more
    """

    topic: str
    title: str
    values_mm: NDArray[np.float64]
    label: str
    least: bool = False
    from_zero: bool = True
    top_mm: float = 1e-6


def draw_map(figures: Figures, target: Target, unrolled: Unrolled, shown: Map) -> Picture:
    """Draw one map; the caption states its limits and those of its scale."""
    values = unrolled.sampled(shown.values_mm)
    zone = unrolled.sampled(target.zone)
    least, most = float(shown.values_mm.min()), float(shown.values_mm.max())
    top = max(most, shown.top_mm)
    bottom = 0.0 if shown.from_zero else least
    sheet = figures.sheet(2.5)
    axes = sheet.subplots()
    along, around = unrolled.stations_mm, unrolled.angles_deg
    image = axes.imshow(
        values.T,
        cmap=colour_map(top, least=shown.least),
        vmin=bottom,
        vmax=top,
        extent=(along[0], along[-1], 0.0, 360.0),
        origin="lower",
        aspect="auto",
        interpolation="bilinear",
    )
    if zone.min() < 0.5 < zone.max():
        axes.contour(along, around, zone.T, levels=[0.5], colors=DARK, linewidths=1.3, linestyles="dashed")
    if np.ptp(values) > _LINES_SHARE * top:
        _number(axes, along, around, values)
    axes.set_xlabel(f"{'station' if unrolled.named else 'along the tube'}, mm", fontsize=9)
    axes.set_ylabel(f"angle, °{'' if unrolled.named else ' from its first line'}", fontsize=9)
    axes.set_yticks([0, 90, 180, 270, 360])
    axes.tick_params(labelsize=8)
    bar = sheet.colorbar(image, ax=axes, ticks=legend_ticks(bottom, top), format="%.3f", pad=0.02)
    bar.set_label(shown.label, fontsize=9)
    bar.ax.tick_params(labelsize=8)
    caption = (
        f"{shown.title[:1].upper()}{shown.title[1:]} over the unrolled target: {least:.3f} to "
        f"{most:.3f} mm, colours from {bottom:.3f} to {top:.3f} mm"
        f"{', darkest where least' if shown.least else ''}. The dashed line parts the rebuilt "
        "zone from the intact overlap."
    )
    return figures.finished(sheet, caption, shown.topic)


def _number(
    axes: Any, along: NDArray[np.float64], around: NDArray[np.float64], values: NDArray[np.float64]
) -> None:
    """Lines of equal value, with their numbers."""
    inside = legend_ticks(float(values.min()), float(values.max()))[1:-1]
    lines = axes.contour(along, around, values.T, levels=inside, colors=DARK, linewidths=0.5)
    for label in axes.clabel(lines, fmt="%.3f", fontsize=7, colors="black"):
        label.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 1.0})
