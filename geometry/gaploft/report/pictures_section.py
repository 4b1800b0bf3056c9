"""Sections of the target with the surfaces above and below it, layers enlarged so that they can be seen."""

import numpy as np
from numpy.typing import NDArray

from gaploft.report.picture import DARK, PETROL, RUST, Figures, Picture, plain
from gaploft.report.shop_pictures import ShopArrays
from gaploft.report.unrolled import Unrolled
from gaploft.target.model import Target

Floats = NDArray[np.float64]

#: Thicknesses are enlarged until the deepest takes up to this share of the section's radius.
_SHARE = 0.4
_TIMES = (1, 2, 3, 5, 10, 20, 50)


def draw_sections(figures: Figures, target: Target, unrolled: Unrolled, shop: ShopArrays) -> Picture:
    """First, middle and last ring of the target, each in its own plane and all at one scale.

    Zero degrees lie at the top, and angles run clockwise as seen looking from the 'from' end.
    """
    outer, cut = (_rings(points, target) for points in (target.outer_mm, target.vertices_mm))
    inner = None if shop.inner_mm is None else _rings(shop.inner_mm, target)
    layered = float(np.abs(target.depth_mm).max()) > 0.0
    deepest = np.linalg.norm(outer - (cut if inner is None else inner), axis=2).max()
    times = _enlargement(float(deepest), outer)
    sheet = figures.sheet(3.1)
    panels = sheet.subplots(1, 3, sharex=True, sharey=True)
    for axes, row in zip(panels, (0, target.shape[0] // 2, target.shape[0] - 1), strict=True):
        centre, axis = _plane(outer[row], unrolled, row)

        def line(points: Floats, *, row: int = row, centre: Floats = centre, axis: Floats = axis) -> Floats:
            moved = outer[row] + times * (points[row] - outer[row])
            return np.asarray((np.vstack([moved, moved[:1]]) - centre) @ axis.T)

        zero = (outer[row, unrolled.column_at(row, 0.0)] - centre) @ axis.T
        axes.plot(*line(outer).T, color=DARK, linewidth=1.2, label="outer surface" if layered else "target")
        if layered:
            axes.plot(*line(cut).T, color=RUST, linewidth=1.2, linestyle="--", label="target")
        if inner is not None:
            axes.plot(*line(inner).T, color=PETROL, linewidth=1.4, linestyle=":", label="inner surface")
        axes.plot(*zero, marker="o", color=DARK, markersize=4, linestyle="none", label="0°")
        axes.set_aspect("equal")
        axes.set_title(f"at {unrolled.rings_mm[row]:.1f} mm".replace("-", "\N{MINUS SIGN}"), fontsize=9)
        axes.set_xlabel("mm", fontsize=9)
        plain(axes)
    panels[0].set_ylabel("mm", fontsize=9)
    handles, labels = panels[0].get_legend_handles_labels()
    sheet.legend(handles, labels, fontsize=8, ncols=4, loc="outside upper center", frameon=False)
    return figures.finished(sheet, _caption(layered or inner is not None, times), "section")


def _caption(layered: bool, times: int) -> str:
    told = "Sections of the target at its first ring, half way and at its last ring, in mm"
    if layered:
        scale = "drawn true" if times == 1 else f"drawn {times} times as large as they are"
        told += f"; depths below the outer surface {scale}"
    return f"{told}. The dot marks 0°, angles run clockwise."


def _enlargement(deepest_mm: float, outer: Floats) -> int:
    """How many times depths are drawn."""
    if deepest_mm <= 0.0:
        return 1
    radius = np.linalg.norm(outer - outer.mean(axis=1, keepdims=True), axis=2).min()
    return max(times for times in _TIMES if times == 1 or times * deepest_mm <= _SHARE * radius)


def _rings(points: Floats, target: Target) -> Floats:
    return np.asarray(target.on_rings(points), dtype=np.float64)


def _plane(ring: Floats, unrolled: Unrolled, row: int) -> tuple[Floats, Floats]:
    """Centre of a ring, and the directions of its plane to the right and up on the paper, (2, 3)."""
    centre = ring.mean(axis=0)
    normal = np.linalg.svd(ring - centre, full_matrices=False)[2][2]
    up = ring[unrolled.column_at(row, 0.0)] - centre
    up = up - (up @ normal) * normal
    up /= np.linalg.norm(up)
    right = np.cross(normal, up)
    if (ring[unrolled.column_at(row, 90.0)] - centre) @ right < 0.0:
        right = -right
    return centre, np.array([right, up])
