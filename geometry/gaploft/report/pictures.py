"""Pictures for the report, as PNG bytes. Without matplotlib there are none."""

import numpy as np

from gaploft.evidence.verdict import TOLERANCE_MM
from gaploft.report.picture import Figures, Picture
from gaploft.report.pictures_along import draw_along, draw_bed
from gaploft.report.pictures_cut import draw_cuts
from gaploft.report.pictures_map import Map, draw_map
from gaploft.report.pictures_patch import draw_from_rim, draw_origin, draw_over, draw_zones
from gaploft.report.pictures_section import draw_sections
from gaploft.report.shop_pictures import ShopArrays
from gaploft.report.unrolled import Unrolled
from gaploft.report.views import views_of
from gaploft.report.ways_pictures import draw_signed
from gaploft.target.model import Target

__all__ = ["Picture", "ShopArrays", "draw_pictures"]

#: Thicknesses that differ by less than this are the same in the workshop, mm.
_EVEN_MM = 1e-3


def draw_pictures(target: Target, shop: ShopArrays | None = None) -> tuple[Picture, ...]:
    """Draw what can be seen of a target: its band, sections, layers, wall, reach and bed, and its ways.

    Parameters
    ----------
    target : Target
    shop : what else is known at its vertices, or None

    Returns
    -------
    tuple of Picture
        Empty without matplotlib. The band over the unrolled target and along the tube and three sections
        are always there, the rest where it was asked for and is not the same all over. A patch can't be
        unrolled: there it is views from several sides, the band from the rim inwards and two sections.
    """
    try:
        from matplotlib.figure import Figure
    except ImportError:
        return ()
    figures = Figures(Figure)
    shop = ShopArrays() if shop is None else shop
    drawn = (_of_tube if target.ringed else _of_patch)(figures, target, shop)
    beyond_mm, depth_mm, triangles = shop.bed_beyond_mm, shop.bed_depth_mm, shop.bed_triangles
    if beyond_mm is not None and depth_mm is not None and triangles is not None:
        drawn.append(draw_bed(figures, beyond_mm, depth_mm, triangles))
    if shop.ways and target.ringed:
        unrolled = Unrolled(target, shop)
        drawn += [draw_signed(figures, target, unrolled, shown) for shown in shop.ways]
    return tuple(drawn)


def _of_tube(figures: Figures, target: Target, shop: ShopArrays) -> list[Picture]:
    unrolled = Unrolled(target, shop)
    drawn = [
        draw_map(figures, target, unrolled, _band(target)),
        draw_along(figures, target, unrolled),
        draw_sections(figures, target, unrolled, shop),
    ]
    return drawn + [draw_map(figures, target, unrolled, chosen) for chosen in _more_maps(target, shop)]


def _of_patch(figures: Figures, target: Target, shop: ShopArrays) -> list[Picture]:
    views = views_of(target.vertices_mm, target.triangles)
    drawn = [
        draw_zones(figures, target, views),
        draw_over(figures, target, views, _band(target)),
        draw_from_rim(figures, target),
        draw_cuts(figures, target, views.lay, shop),
    ]
    if target.origin is not None:
        drawn.append(draw_origin(figures, target, views))
    return drawn + [draw_over(figures, target, views, chosen) for chosen in _more_maps(target, shop)]


def _band(target: Target) -> Map:
    return Map("evidence", "half width of the 95 % band", target.band95_mm, label="± mm", top_mm=TOLERANCE_MM)


def _more_maps(target: Target, shop: ShopArrays) -> list[Map]:
    """Maps of the layers, the wall that is left, and what a tool leaves standing."""
    maps = []
    if float(np.ptp(target.depth_mm)) > _EVEN_MM:
        maps.append(
            Map("layers", "depth of the target below the rebuilt outer surface", target.depth_mm, label="mm")
        )
    if shop.left_mm is not None and float(np.ptp(shop.left_mm)) > _EVEN_MM:
        title = "wall left once the target is cut"
        maps.append(Map("wall", title, shop.left_mm, label="mm", least=True, from_zero=False))
    left = shop.reach_left_mm
    if left is not None and float(left.max(initial=0.0)) > _EVEN_MM:
        maps.append(Map("reach", "material that the tool leaves standing", left, label="mm"))
    return maps
