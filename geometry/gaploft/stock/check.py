"""One check of a measured part against its target: the same call for the command line and for Blender."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from gaploft.errors import InputError
from gaploft.progress import Progress, silent
from gaploft.scan.model import Scan
from gaploft.stock.align import find_alignment
from gaploft.stock.budget import budget_of
from gaploft.stock.decide import judge
from gaploft.stock.doubts import check_settings, check_skin, not_near, stock_notes
from gaploft.stock.model import Alignment, LowSpot, Stock, StockSettings, TargetSkin
from gaploft.stock.nearest import TriangleTree, distance_along, shortest_distance, triangle_tree
from gaploft.stock.noise import Noise, noise_of
from gaploft.stock.outer_skin import outer_skin
from gaploft.stock.places import station_and_angle
from gaploft.stock.refine import Skin, refined
from gaploft.stock.samples import Samples, samples_of
from gaploft.stock.spots import Spot, find_spots
from gaploft.stock.volume import measure_of
from gaploft.tube.axes import moved

Floats = NDArray[np.float64]

#: Samples are so close together that a low spot of 2 mm^2 holds several; on large targets less close.
_SAMPLE_MM, _MOST_SAMPLES = 0.6, 120_000
#: Less of the target than this seen means that the scan is of something else.
_LEAST_SEEN = 0.02


def check_stock(
    target: TargetSkin,
    measured: Scan,
    settings: StockSettings | None = None,
    *,
    progress: Progress = silent,
) -> Stock:
    """Compare a measured part, laid up or machined, with its target.

    Parameters
    ----------
    target : the surface to be machined, mm
    measured : the mended scan of the part, mm, in the same frame or off by less than ``reach_mm``
    settings : limits, uncertainty, whether to align
    progress : told the stage and its share; may raise ``Cancelled``

    Returns
    -------
    Stock

    Raises
    ------
    ValueError
        Arrays of the target that do not belong together.
    InputError
        A setting that means nothing, a target without faces, a part that is not near the target or only shows
        it its inside, or ``align`` where there is no intact surface to line up on.

    Notes
    -----
    The stock of a place is the shortest distance of the part's outer skin from it, positive above; volumes
    and areas come from heights along the target's normals at samples of the smooth surface, some 0.5 mm
    apart.
    """
    settings = settings or StockSettings()
    check_settings(settings)
    check_skin(target)
    with threadpool_limits(limits=1, user_api="blas"):
        return _checked(target, measured, settings, progress)


def stock_map(
    vertices_mm: Floats, normals: Floats, measured: Scan, *, reach_mm: float
) -> tuple[Floats, Floats]:
    """Signed shortest distance of a part from vertices of its target, and height along their normals.

    Both are (n,), mm, NaN beyond ``reach_mm``; the height also where the scan has a hole.
    """
    skin = outer_skin(measured.vertices_mm, measured.faces, vertices_mm, normals, reach_mm=reach_mm)
    if len(skin.corners) == 0:
        return np.full(len(vertices_mm), np.nan), np.full(len(vertices_mm), np.nan)
    return _map(triangle_tree(skin), vertices_mm, normals, reach_mm)


def _map(triangles: TriangleTree, points: Floats, normals: Floats, reach_mm: float) -> tuple[Floats, Floats]:
    distance, place = shortest_distance(triangles, points, normals, reach_mm=reach_mm)
    along = np.einsum("ij,ij->i", place - points, normals)
    signed = np.where(along < 0.0, -distance, distance)
    return signed, distance_along(triangles, points, normals, reach_mm=reach_mm, start_mm=along)


@dataclass(frozen=True)
class _Part:
    """The part's outer skin about target and flanks, and its usual edge."""

    triangles: TriangleTree
    edge_mm: float


def _checked(target: TargetSkin, measured: Scan, settings: StockSettings, progress: Progress) -> Stock:
    progress("align", 0.0)
    fine = _sampled(target)
    part = _part(target, measured, settings, fine)
    progress("align", 0.3)
    alignment = _aligned(target, part, settings)
    if alignment is not None and settings.align:
        alignment = replace(alignment, applied=True)
    to_part: Floats = np.eye(4)
    if alignment is not None and settings.align:
        to_part = np.asarray(np.linalg.inv(alignment.matrix), dtype=np.float64)
    progress("map", 0.0)
    turn, reach = to_part[:3, :3].T, settings.reach_mm
    stock, height = _map(part.triangles, moved(target.vertices_mm, to_part), target.normals @ turn, reach)
    progress("map", 0.4)
    samples = _samples(target, part, fine, height, to_part, reach)
    seen_share = float(samples.area_mm2[samples.seen].sum()) / samples.total_mm2()
    if seen_share < _LEAST_SEEN:
        raise InputError(not_near(target, measured, settings))
    progress("judge", 0.0)
    noise = _noise(samples, part)
    mean, spots = find_spots(samples, noise)
    progress("judge", 0.7)
    stock = np.where(np.isfinite(height), stock, np.nan)
    return _told(target, measured, settings, samples, (stock, mean), spots, noise, alignment, seen_share)


def _sampled(target: TargetSkin) -> Skin:
    area = float(np.linalg.norm(_crosses(target.vertices_mm[target.faces]), axis=1).sum() / 2.0)
    longest = max(_SAMPLE_MM, float(np.sqrt(4.0 * area / _MOST_SAMPLES)))
    return refined(target.vertices_mm, target.normals, target.faces, longest_mm=longest)


def _crosses(corners: Floats) -> Floats:
    return np.asarray(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))


def _part(target: TargetSkin, measured: Scan, settings: StockSettings, fine: Skin) -> _Part:
    """The skin of the part about the target; refuse one that is somewhere else or turned inside out."""
    points, normals = fine.points[::4], fine.normals[::4]
    intact = _intact(target)
    if intact is not None:
        points, normals = np.concatenate([points, intact[0]]), np.concatenate([normals, intact[1]])
    skin = outer_skin(measured.vertices_mm, measured.faces, points, normals, reach_mm=settings.reach_mm)
    if len(skin.corners) == 0:
        raise InputError(not_near(target, measured, settings))
    edge = np.linalg.norm(skin.corners[:, 1] - skin.corners[:, 0], axis=1)
    return _Part(triangle_tree(skin), float(np.median(edge)))


def _intact(target: TargetSkin) -> tuple[Floats, Floats] | None:
    """Points and normals of the intact outer surface: the flanks, or else the overlap raised by its depth."""
    if _has_flanks(target):
        assert target.flank_points_mm is not None
        assert target.flank_normals is not None
        return target.flank_points_mm, target.flank_normals
    if target.zone is None or target.depth_mm is None or not (target.zone == 0).any():
        return None
    intact = target.zone == 0
    normals = target.normals[intact]
    return target.vertices_mm[intact] + target.depth_mm[intact, None] * normals, normals


def _has_flanks(target: TargetSkin) -> bool:
    """Whether intact surface beyond the target is known."""
    points, normals = target.flank_points_mm, target.flank_normals
    return points is not None and normals is not None and len(points) > 0


def _aligned(target: TargetSkin, part: _Part, settings: StockSettings) -> Alignment | None:
    intact, alignment = _intact(target), None
    if intact is not None:
        alignment = find_alignment(
            part.triangles,
            *intact,
            target.vertices_mm.mean(axis=0),
            reach_mm=settings.reach_mm,
            on="flanks" if _has_flanks(target) else "overlap",
            tube=target.shape is not None,
        )
    if alignment is None and settings.align:
        raise InputError(
            "there is no intact surface beside the target that the part could be lined up on, and it is "
            "never lined up on the repair itself: give the folder of a rebuild as the target and a scan that "
            "shows the intact surface around the repair, or leave out --align"
        )
    return alignment


def _samples(
    target: TargetSkin, part: _Part, fine: Skin, height: Floats, to_part: Floats, reach_mm: float
) -> Samples:
    """Heights at the fine samples, those at the target's own vertices being known."""
    points, normals = moved(fine.points, to_part), fine.normals @ to_part[:3, :3].T
    n = len(target.vertices_mm)
    start = fine.carried(height)[n:]
    rest = distance_along(part.triangles, points[n:], normals[n:], reach_mm=reach_mm, start_mm=start)
    return samples_of(fine, measure_of(fine), np.concatenate([height, rest]))


def _noise(samples: Samples, part: _Part) -> Noise:
    seen = samples.seen
    skin = samples.skin
    return noise_of(skin.points[seen], skin.normals[seen], samples.height_mm[seen], edge_mm=part.edge_mm)


def _told(
    target: TargetSkin,
    measured: Scan,
    settings: StockSettings,
    samples: Samples,
    maps: tuple[Floats, Floats],
    spots: tuple[Spot, ...],
    noise: Noise,
    alignment: Alignment | None,
    seen_share: float,
) -> Stock:
    stock, mean = maps
    budget, uncertainty = budget_of(target, settings, samples, noise, alignment)
    judged = judge(samples, mean, uncertainty, settings.limits_mm)
    highest = int(np.nanargmax(mean))
    at_top = float(mean[highest])
    x, y, z = samples.skin.points[highest].tolist()
    known = mean[samples.seen]
    shares = {"p05": 5.0, "median": 50.0, "p95": 95.0}
    result = Stock(
        settings=settings,
        source=measured.source,
        stock_mm=stock,
        seen=np.isfinite(stock),
        label=judged.label[: len(stock)],
        area_mm2=samples.total_mm2(),
        covered_fraction=seen_share,
        surplus_volume_mm3=samples.volume_above(),
        surplus_max_mm=max(at_top, 0.0),
        surplus_at_mm=(x, y, z) if at_top > 0.0 else None,
        surplus_area_mm2=samples.area_over(mean),
        low_spots=tuple(_placed(target, samples, spot) for spot in spots),
        low_volume_mm3=-samples.volume_below(),
        decision=judged.decision,
        budget=budget,
        alignment=alignment,
        distribution_mm={name: float(np.percentile(known, share)) for name, share in shares.items()},
    )
    return replace(result, notes=(*measured.notes, *stock_notes(result, target)))


def _placed(target: TargetSkin, samples: Samples, spot: Spot) -> LowSpot:
    at = samples.skin.points[spot.lowest]
    station, angle = station_and_angle(target, at)
    x, y, z = at.tolist()
    return LowSpot(spot.area_mm2, spot.depth_mm, (x, y, z), station, angle)
