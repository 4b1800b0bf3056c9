"""Arrays that the pictures of a report are drawn from, out of a rebuild."""

from gaploft.report.model import PatchShop, Rebuild
from gaploft.report.shop_pictures import ShopArrays
from gaploft.report.ways_arrays import way_maps


def shop_arrays(rebuild: Rebuild) -> ShopArrays | None:
    """What the pictures show beside the target; None where a rebuild does not know where its points lie.

    The points of a patch have neither station nor angle.
    """
    shop, target = rebuild.shop, rebuild.target
    if shop is None or target is None:
        return None
    if isinstance(shop, PatchShop):
        bed = shop.bed
        return ShopArrays(
            wall_mm=None if shop.wall is None else shop.wall.thickness_mm,
            left_mm=None if shop.wall is None else shop.wall.left_mm,
            inner_mm=None if shop.wall is None else shop.wall.inner_mm,
            reach_left_mm=None if shop.reach is None else shop.reach.left_mm,
            bed_beyond_mm=None if bed is None else bed.beyond_mm,
            bed_depth_mm=None if bed is None else bed.depth_mm,
            bed_triangles=None if bed is None else bed.triangles,
        )
    if target.uv is None:
        return None
    u, v = target.uv.T
    station, angle = shop.places.named(u, v)
    inner = None
    if shop.wall is not None:
        below = shop.layers.coats(u, v) + shop.wall.thickness_mm
        surface = shop.places.surface
        inner = surface.evaluate(u, v) - below[:, None] * surface.normals(u, v)
    return ShopArrays(
        station_mm=station,
        angle_deg=angle,
        wall_mm=None if shop.wall is None else shop.wall.thickness_mm,
        left_mm=None if shop.wall is None else shop.wall.left_mm,
        reach_left_mm=None if shop.reach is None else shop.reach.left_mm,
        inner_mm=inner,
        bed_beyond_mm=None if shop.bed is None else shop.bed.beyond_mm,
        bed_depth_mm=None if shop.bed is None else shop.bed.depth_mm,
        bed_triangles=None if shop.bed is None else shop.bed.triangles,
        ways=way_maps(rebuild),
    )
