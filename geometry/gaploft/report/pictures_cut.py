"""Sections of a patch along and across it, with layers and band enlarged so that they can be seen."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.report.picture import DARK, PETROL, RUST, Figures, Picture, plain
from gaploft.report.shop_pictures import ShopArrays
from gaploft.report.views import WAYS
from gaploft.target.cut import Cut, cut_by_plane
from gaploft.target.lay import Lay
from gaploft.target.model import Target

Floats = NDArray[np.float64]

#: Depths and the band are enlarged until the deepest takes up to this share of the patch's half width.
_SHARE = 0.15
_TIMES = (1, 2, 3, 5, 10, 20, 50)
_BAND = "#c9a9d4"
#: Inches across the page that both sections share, what stands above and below them, and the highest.
_ACROSS_IN, _AROUND_IN, _HIGHEST_IN = 6.0, 0.9, 3.4
#: The ways that each section lies in.
_WAYS = ((0, 2), (1, 2), (0, 1))
#: Room about the lines.
_ROOM = 1.06


@dataclass(frozen=True)
class _Plane:
    """One section: its cut, and the two of the patch's ways that it lies in."""

    cut: Cut
    lay: Lay
    ways: tuple[int, int]

    def flat(self, points: Floats) -> Floats:
        """Points at the vertices, (n, 3), where the plane cuts the surface, in the plane, (m, 2)."""
        return self.lay.placed(self.cut.carried(points))[:, list(self.ways)]


def draw_cuts(figures: Figures, target: Target, lay: Lay, shop: ShopArrays) -> Picture:
    """Sections through the middle of a patch, at one scale: in its longest direction and across it.

    One that closes around something has a third, square to both.
    """
    outer = target.outer_mm
    inner = shop.inner_mm
    layered = float(np.abs(target.depth_mm).max(initial=0.0)) > 0.0
    times = _enlargement(target, inner, outer, lay)
    planes = [
        _Plane(cut_by_plane(outer, target.triangles, lay.middle_mm, lay.ways[3 - sum(ways)]), lay, ways)
        for ways in _WAYS[: 3 if lay.closed else 2]
    ]
    wide = target.band95_mm[:, None] * target.normals
    beside = [target.vertices_mm, outer - wide, outer + wide, *([] if inner is None else [inner])]
    sheet, panels = _sheet(figures, planes, [outer + times * (points - outer) for points in beside])
    for axes, plane in zip(panels, planes, strict=True):
        _draw_band(axes, plane, target, times)
        _draw_lines(axes, plane, plane.flat(outer), label="outer surface" if layered else "target")
        _draw_rebuilt(axes, plane, target, outer)
        for points, colour, dashes, label in (
            (target.vertices_mm if layered else None, RUST, "--", "target"),
            (inner, PETROL, ":", "inner surface"),
        ):
            if points is not None:
                moved = plane.flat(outer + times * (points - outer))
                _draw_lines(axes, plane, moved, color=colour, linestyle=dashes, label=label)
        axes.set_xlabel(f"{WAYS[plane.ways[0]]}, mm", fontsize=9)
        axes.set_ylabel(f"{WAYS[plane.ways[1]]}, mm", fontsize=9)
        plain(axes)
    named = dict(zip(*reversed(panels[0].get_legend_handles_labels()), strict=True))
    sheet.legend(named.values(), named.keys(), fontsize=8, ncols=5, loc="outside upper center", frameon=False)
    return figures.finished(sheet, _caption(times, lay), "section")


def _caption(times: int, lay: Lay) -> str:
    scale = "drawn true" if times == 1 else f"drawn {times} times as large as they are"
    ways = "along it, across it and square to both" if lay.closed else "along and across it"
    return (
        f"Sections through the middle of the target, {ways}, in mm. Depths below the outer "
        f"surface and the 95 % band about it are {scale}; the thick line is what is rebuilt."
    )


def _enlargement(target: Target, inner: Floats | None, outer: Floats, lay: Lay) -> int:
    """How many times depths and band are drawn."""
    deepest = max(float(np.abs(target.depth_mm).max()), float(target.band95_mm.max()))
    if inner is not None:
        deepest = max(deepest, float(np.linalg.norm(outer - inner, axis=1).max()))
    room = _SHARE * 0.5 * float(lay.spans_mm[1])
    return max(times for times in _TIMES if times == 1 or times * deepest <= room)


def _draw_lines(axes: Any, plane: _Plane, flat: Floats, **how: Any) -> None:
    """All lines of a section."""
    how = {"color": DARK, "linewidth": 0.9, **how}
    for line in plane.cut.lines:
        axes.plot(*flat[line].T, **how)


def _draw_rebuilt(axes: Any, plane: _Plane, target: Target, outer: Floats) -> None:
    """The rebuilt stretches, thicker."""
    from matplotlib.collections import LineCollection

    ends = plane.flat(outer)[plane.cut.pieces]
    rebuilt = plane.cut.carried(target.zone.astype(np.float64))[plane.cut.pieces].mean(axis=1) > 0.5
    axes.add_collection(LineCollection(list(ends[rebuilt]), colors=DARK, linewidths=1.8, label="rebuilt"))


def _draw_band(axes: Any, plane: _Plane, target: Target, times: int) -> None:
    """The band about the outer surface."""
    from matplotlib.collections import PolyCollection

    outer, wide = target.outer_mm, (times * target.band95_mm)[:, None] * target.normals
    one, other = plane.flat(outer - wide), plane.flat(outer + wide)
    start, end = plane.cut.pieces.T
    strips = np.stack([one[start], one[end], other[end], other[start]], axis=1)
    label = f"95 % band, ± {float(target.band95_mm.max()):.3f} mm at most"
    axes.add_collection(
        PolyCollection(list(strips), facecolors=_BAND, edgecolors=_BAND, linewidths=0.4, label=label)
    )


def _sheet(figures: Figures, planes: list[_Plane], drawn: list[Floats]) -> tuple[Any, Any]:
    """A sheet with a panel for each plane in which a millimetre is as long, with room for all points."""
    placed = planes[0].lay.placed(np.concatenate(drawn))
    middle = 0.5 * (placed.max(axis=0) + placed.min(axis=0))
    spans = _ROOM * np.maximum(np.ptp(placed, axis=0), 1e-3 * np.ptp(placed))
    across = [float(spans[plane.ways[0]]) for plane in planes]
    upright = max(float(spans[plane.ways[1]]) for plane in planes)
    high = min(_ACROSS_IN * upright / sum(across), _HIGHEST_IN)
    sheet = figures.sheet(high + _AROUND_IN)
    panels = sheet.subplots(1, len(planes), width_ratios=across)
    for plane, axes, width in zip(planes, panels, across, strict=True):
        x, y = (float(middle[way]) for way in plane.ways)
        axes.set_aspect("equal")
        axes.set_xlim(x - 0.5 * width, x + 0.5 * width)
        axes.set_ylim(y - 0.5 * upright, y + 0.5 * upright)
    return sheet, panels
