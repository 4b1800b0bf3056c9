"""Arrays that the pictures of a report are drawn from, out of a rebuild."""

from gaploft.report.model import Rebuild
from gaploft.report.shop_pictures import ShopArrays
from gaploft.target.places import Places


def shop_arrays(rebuild: Rebuild) -> ShopArrays | None:
    """What the pictures show beside the target; None where a rebuild does not know where its points lie."""
    shop, target, stages = rebuild.shop, rebuild.target, rebuild.stages
    if shop is None or target is None or target.uv is None or stages is None or stages.fitted is None:
        return None
    fit = stages.fitted.fit
    u, v = target.uv.T
    station, angle = Places(fit.surface, fit.outline.gap_mm[0], rebuild.job.zero_mm).named(u, v)
    inner = None
    if shop.wall is not None:
        below = shop.layers.coats(u, v) + shop.wall.thickness_mm
        inner = fit.surface.evaluate(u, v) - below[:, None] * fit.surface.normals(u, v)
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
    )
