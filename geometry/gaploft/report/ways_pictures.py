"""Signed millimetres over the unrolled target: what was changed, and how far one way is from another."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.report.colours import legend_ticks, signed_scale, srgb, tick_texts
from gaploft.report.picture import DARK, Figures, Picture
from gaploft.report.shop_pictures import SignedMap
from gaploft.report.unrolled import Unrolled
from gaploft.target.model import Target
from gaploft.target.places import whole_degrees

Floats = NDArray[np.float64]

#: Ends of the scale, mm: the first that holds all is taken, so that maps of two jobs can be laid side by
#: side.
ENDS_MM = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
#: Lines are drawn where values differ by more than this share of the scale.
_LINES_SHARE = 0.01
#: Values that are zero but for rounding; and stations that are the same on paper, mm.
_ZERO_MM, _SLACK_MM = 1e-9, 0.5


def draw_signed(figures: Figures, target: Target, unrolled: Unrolled, shown: SignedMap) -> Picture:
    """Draw one map: neutral at zero, as dark for the same size on both sides, grey where nothing is known.

    It is as long as the target, so that it can be laid beside the target's other maps.
    """
    zone = unrolled.sampled(target.zone)
    along, around = unrolled.stations_mm, unrolled.angles_deg
    top = end_of_scale(shown)
    sheet = figures.sheet(2.5)
    axes = sheet.subplots()
    image = _painted(axes, shown, top)
    if zone.min() < 0.5 < zone.max():
        axes.contour(along, around, zone.T, levels=[0.5], colors=DARK, linewidths=1.3, linestyles="dashed")
    _lines(axes, shown, top)
    axes.plot(*shown.worst_at, marker="o", markersize=7, color=DARK, fillstyle="none", clip_on=False)
    axes.set_xlim(along[0], along[-1])
    axes.set_ylim(0.0, 360.0)
    axes.set_xlabel("station, mm", fontsize=9)
    axes.set_ylabel("angle, °", fontsize=9)
    axes.set_yticks([0, 90, 180, 270, 360])
    axes.tick_params(labelsize=8)
    ticks = legend_ticks(-top, top)
    bar = sheet.colorbar(image, ax=axes, ticks=ticks, pad=0.02)
    bar.ax.set_yticklabels(tick_texts(ticks, signed=True))
    bar.set_label("mm", fontsize=9)
    bar.ax.tick_params(labelsize=8)
    known = shown.station_mm[0] - along[0] < _SLACK_MM and along[-1] - shown.station_mm[-1] < _SLACK_MM
    return figures.finished(sheet, _caption(shown, top, known=bool(known)), "ways")


def end_of_scale(shown: SignedMap) -> float:
    """The round number that the scale goes to on both sides of zero."""
    most = float(np.abs(shown.values_mm).max())
    return next((end for end in ENDS_MM if most <= end), ENDS_MM[-1])


def _painted(axes: Any, shown: SignedMap, top: float) -> Any:
    """The values in their colours, on grey that is hatched, so that it is no value on grey paper either."""
    from matplotlib.colors import ListedColormap
    from matplotlib.patches import Rectangle

    scale = signed_scale(top)
    unseen, below, above = (tuple(srgb(ink)) for ink in (scale.unseen, scale.below, scale.above))
    axes.patch.set(facecolor=unseen, edgecolor="white", hatch="///", linewidth=0.0)
    image = axes.imshow(
        shown.values_mm.T,
        cmap=ListedColormap(srgb(scale.table)).with_extremes(under=below, over=above),
        vmin=-top,
        vmax=top,
        extent=(*_edges(shown.station_mm), *_edges(shown.angle_deg)),
        origin="lower",
        aspect="auto",
        interpolation="bilinear",
    )
    # Cells of the first and the last station reach half a step beyond them, where nothing is known.
    first, last = float(shown.station_mm[0]), float(shown.station_mm[-1])
    image.set_clip_path(Rectangle((first, 0.0), last - first, 360.0, transform=axes.transData))
    return image


def _edges(even: Floats) -> tuple[float, float]:
    """Where the first and the last of even steps begin and end, each about its own middle."""
    half = 0.5 * float(even[1] - even[0])
    return float(even[0]) - half, float(even[-1]) + half


def _caption(shown: SignedMap, top: float, *, known: bool) -> str:
    station, angle = shown.worst_at
    text = (
        f"{shown.title[:1].upper()}{shown.title[1:]}, over the unrolled target. The largest over the rebuilt "
        f"zone is {shown.worst_mm:+.3f} mm, at station {station:.0f} mm and {whole_degrees(angle)}° (the "
        f"ring). Colours from {-top:+.2f} to {top:+.2f} mm, neutral at zero, where a thick line runs"
        f"{'' if known else '; grey and hatched where it is not known'}. The dashed line parts the rebuilt "
        "zone from the intact overlap."
    )
    return text.replace(" -", " \N{MINUS SIGN}")


def _lines(axes: Any, shown: SignedMap, top: float) -> None:
    """Zero as a thick line, and lines of equal value with their numbers."""
    values = shown.values_mm.T
    low, high = float(values.min()), float(values.max())
    if high - low <= _LINES_SHARE * top:
        return
    if low < 0.0 < high:
        axes.contour(shown.station_mm, shown.angle_deg, values, levels=[0.0], colors=DARK, linewidths=1.4)
    inside = legend_ticks(low, high)[1:-1]
    inside = inside[np.abs(inside) > _ZERO_MM]
    if len(inside) == 0:
        return
    lines = axes.contour(
        shown.station_mm,
        shown.angle_deg,
        values,
        levels=inside,
        colors=DARK,
        linewidths=0.5,
        linestyles="solid",
    )
    numbers = dict(zip(inside, tick_texts(inside, signed=True), strict=True))
    for label in axes.clabel(lines, fmt=numbers, fontsize=7, colors="black"):
        label.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 1.0})
