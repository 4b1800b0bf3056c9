"""Arrays that the maps of the ways are drawn from, out of a rebuild."""

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.trusted_fit import TubeFit
from gaploft.report.model import Rebuild, Shop
from gaploft.report.shop_pictures import SignedMap
from gaploft.surface.basis import TURN_RAD
from gaploft.target.places import Places
from gaploft.ways.model import TITLES, Way

Floats = NDArray[np.float64]

#: Angles of a map, 2.5 degrees apart.
_ANGLES = 145


def way_maps(rebuild: Rebuild) -> tuple[SignedMap, ...]:
    """The correction of the way that is used, and how far every other one's surface is from its own.

    Empty where there is no target, or the loft alone was gone.
    """
    stages, shop = rebuild.stages, rebuild.shop
    if stages is None or stages.compared is None or stages.fitted is None or not isinstance(shop, Shop):
        return ()
    compared, fit = stages.compared, stages.fitted.fit
    used, maps = compared.way(compared.used), []
    if used.correction is not None:
        title = f"how far the {_named(used)} was changed to meet both flanks, outwards positive"
        changed = used.correction
        maps.append(_map(title, changed.at_mm, changed.off_mm, fit, shop.places))
    for pair in compared.differences:
        if pair.first == used.name:
            title = f"how far the {TITLES[pair.second]} lies outside the {TITLES[used.name]}, inside negative"
            maps.append(_map(title, pair.at_mm, pair.off_mm, fit, shop.places))
    return tuple(maps)


def _named(way: Way) -> str:
    title = TITLES[way.name]
    return f"{title} ({way.label})" if way.label else title


def _map(title: str, at: Floats, off: Floats, fit: TubeFit, places: Places) -> SignedMap:
    """Values at even places around the tube at some stations, brought to even angles as the bench has them.

    The largest is that of the values as they come, over the damage and what is distrusted beside it, so that
    it is the same as in the figures beside the map.
    """
    v: Floats = np.arange(off.shape[1]) * (TURN_RAD / off.shape[1])
    uu, vv = np.meshgrid(at, v, indexing="ij")
    stations, angles = places.named(uu, vv)
    distance, rim = fit.outline.distance(uu, vv)
    size = np.where(distance < np.array(fit.margins_mm)[rim], np.abs(off), -1.0)
    worst = np.unravel_index(int(size.argmax()), size.shape)
    even: Floats = np.linspace(0.0, 360.0, _ANGLES)
    rows = [np.interp(even, ring, row, period=360.0) for ring, row in zip(angles, off, strict=True)]
    return SignedMap(
        title,
        stations[:, 0],
        even,
        np.array(rows),
        worst_mm=float(off[worst]),
        worst_at=(float(stations[worst]), float(angles[worst])),
    )
