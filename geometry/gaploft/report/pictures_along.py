"""What changes along the tube: the band from end to end, and the profile of a bed."""

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.verdict import TOLERANCE_MM
from gaploft.report.picture import DARK, PETROL, RUST, Figures, Picture, plain
from gaploft.report.unrolled import Unrolled, spread
from gaploft.target.model import Target

Floats = NDArray[np.float64]

#: A bed is drawn from no more triangles than this; they lie over each other many times.
_MOST_TRIANGLES = 6_000
#: The paper goes on below the deepest place by a tenth.
_ROOM = 1.1


def draw_along(figures: Figures, target: Target, unrolled: Unrolled) -> Picture:
    """Median and largest band of each ring, against the tolerance of the verdict."""
    band = np.asarray(target.on_rings(target.band95_mm), dtype=np.float64)
    rebuilt = (target.on_rings(target.zone) == 1).any(axis=1)
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


def draw_bed(figures: Figures, beyond_mm: Floats, depth_mm: Floats, triangles: NDArray[np.int32]) -> Picture:
    """The bed's mesh with all its sides laid over each other: depth against the distance from the hole."""
    from matplotlib.collections import PolyCollection

    corners = np.stack([beyond_mm, depth_mm], axis=1)[triangles[spread(len(triangles), _MOST_TRIANGLES)]]
    length, deepest = float(beyond_mm.max() - beyond_mm.min()), float(depth_mm.max())
    sheet = figures.sheet(2.3)
    axes = sheet.subplots()
    plain(axes)
    axes.add_collection(PolyCollection(list(corners), facecolors=PETROL, edgecolors=PETROL, linewidths=0.8))
    axes.set_xlim(float(beyond_mm.min()), float(beyond_mm.max()))
    axes.set_ylim(_ROOM * deepest, min(0.0, float(depth_mm.min())))
    axes.set_xlabel("from the hole's edge, mm along the surface", fontsize=9)
    axes.set_ylabel("below outer surface, mm", fontsize=9)
    sheet.draw_without_rendering()
    box = axes.get_window_extent()
    height = abs(axes.get_ylim()[0] - axes.get_ylim()[1])
    tall = (box.height / max(height, 1e-9)) / (box.width / max(length, 1e-9))
    caption = (
        "Profile of the bed in mm: depth below the rebuilt outer surface against the distance from the edge "
        f"of the hole, down to {deepest:.3f} mm; where the bed is not the same on all sides the line is "
        f"broad. Heights are drawn some {tall:.0f} times as large as lengths."
    )
    return figures.finished(sheet, caption, "bed")
