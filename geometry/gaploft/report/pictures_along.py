"""What changes along the tube: the band from end to end, and the profile of a bed."""

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.verdict import TOLERANCE_MM
from gaploft.report.picture import DARK, PETROL, RUST, Figures, Picture, plain
from gaploft.report.unrolled import Unrolled
from gaploft.target.model import Target

Floats = NDArray[np.float64]

#: A profile is drawn from this many places along the bed.
_BINS = 400
#: Depths that differ by less than this share of the deepest are one line.
_ONE_LINE_SHARE = 0.02


def draw_along(figures: Figures, target: Target, unrolled: Unrolled) -> Picture:
    """Median and largest band of each ring, against the tolerance of the verdict."""
    band = target.band95_mm.reshape(target.shape)
    rebuilt = (target.zone.reshape(target.shape) == 1).any(axis=1)
    along = unrolled.rings_mm
    sheet = figures.sheet(2.2)
    axes = sheet.subplots()
    plain(axes)
    axes.fill_between(
        along, 0.0, 1.0, where=rebuilt, transform=axes.get_xaxis_transform(), color="#e6e8ec", label="rebuilt"
    )
    axes.plot(along, band.max(axis=1), color=DARK, linewidth=1.5, label="largest around the tube")
    axes.plot(along, np.median(band, axis=1), color=PETROL, linewidth=1.3, linestyle="--", label="median")
    axes.axhline(TOLERANCE_MM, color=RUST, linewidth=1.0, linestyle=":", label=f"limit {TOLERANCE_MM:.2f} mm")
    axes.set_ylim(0.0, 1.15 * max(float(band.max()), TOLERANCE_MM))
    axes.set_xlim(along[0], along[-1])
    axes.set_xlabel(f"{'station' if unrolled.named else 'along the tube'}, mm", fontsize=9)
    axes.set_ylabel("band, ± mm", fontsize=9)
    axes.legend(fontsize=8, ncols=4, loc="lower center", bbox_to_anchor=(0.5, 1.0), frameon=False)
    caption = (
        "Half width of the 95 % band along the tube, in mm. Above the dotted line the verdict is not "
        "'ready'; leave that much stock there."
    )
    return figures.finished(sheet, caption, "evidence")


def draw_bed(figures: Figures, beyond_mm: Floats, depth_mm: Floats) -> Picture:
    """Depth of the bed from the hole's edge outwards: one line where it is the same all round."""
    at, least, most = _profile(beyond_mm, depth_mm)
    sheet = figures.sheet(2.4)
    axes = sheet.subplots()
    plain(axes)
    axes.plot(at, most, color=DARK, linewidth=1.4, label="deepest at that distance")
    if float((most - least).max()) > _ONE_LINE_SHARE * float(depth_mm.max()):
        axes.fill_between(at, least, most, color="#e6e8ec", linewidth=0.0)
        axes.plot(at, least, color=PETROL, linewidth=1.2, linestyle="--", label="shallowest at that distance")
        axes.legend(fontsize=8, ncols=2, loc="lower center", bbox_to_anchor=(0.5, 1.0), frameon=False)
    axes.set_xlim(at[0], at[-1])
    axes.set_ylim(1.1 * float(depth_mm.max()), min(0.0, float(depth_mm.min())))
    axes.set_xlabel("from the hole's edge, mm along the surface", fontsize=9)
    axes.set_ylabel("below outer surface, mm", fontsize=9)
    sheet.draw_without_rendering()
    box = axes.get_window_extent()
    tall = (box.height / (1.1 * float(depth_mm.max()))) / (box.width / max(float(np.ptp(at)), 1e-6))
    caption = (
        "Profile of the bed in mm: depth below the rebuilt outer surface against the distance from the edge "
        f"of the hole, heights drawn some {tall:.0f} times as large as lengths."
    )
    return figures.finished(sheet, caption, "bed")


def _profile(beyond_mm: Floats, depth_mm: Floats) -> tuple[Floats, Floats, Floats]:
    """Distances, and least and most depth there."""
    order = np.argsort(beyond_mm, kind="stable")
    at, depth = beyond_mm[order], depth_mm[order]
    width = max(float(at[-1] - at[0]), 1e-9) / _BINS
    starts = np.flatnonzero(np.diff(np.floor((at - at[0]) / width), prepend=-1.0))
    least = np.minimum.reduceat(depth, starts)
    most = np.maximum.reduceat(depth, starts)
    counts = np.diff(np.append(starts, len(at)))
    return np.add.reduceat(at, starts) / counts, least, most
