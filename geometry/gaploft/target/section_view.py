"""One section of the target as lines in its own plane, with deviations enlarged so that they can be seen."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.checks import as_points, as_positive
from gaploft.target.rings import PointsOnRings, Rings

Floats = NDArray[np.float64]

_SLAB_MM, _SLAB_SPACINGS = 1.0, 2.5
#: An ``up`` that leans less than this from the tube's direction says little of how to turn a section.
_LEAST_LEAN = np.sin(np.radians(30.0))


@dataclass(frozen=True)
class SectionView:
    """A section in its plane, mm; all deviations from ``outline`` are ``exaggeration`` times their own.

    Attributes
    ----------
    ring_mm : (n_v, 3) the section as computed, in space
    outline : (n_v, 2) the same in the plane, about its centre
    outward : (n_v, 2) unit normals in the plane
    band_low, band_high : (n_v, 2) the band's edges
    changed : (n_v, 2) the surface as changed by hand
    points : (k, 2) scan points within the slab
    point_height_mm : (k,) their true heights above the surface
    curvature : (n_v,) of the surface as changed, 1/mm, positive where it is convex
    pieces : (k, 2) which points the section joins; that of a ring is closed, that of a patch may be open
    reach_mm : how far a section of this surface reaches from its centre, for the scale of a drawing
    """

    station_mm: float
    exaggeration: float
    ring_mm: Floats
    outline: Floats
    outward: Floats
    band_low: Floats
    band_high: Floats
    changed: Floats
    points: Floats
    point_height_mm: Floats
    curvature: Floats
    pieces: NDArray[np.intp]
    reach_mm: float

    def comb(self, scale_mm2: float) -> Floats:
        """Tips of the curvature comb, (n_v, 2): teeth of ``scale_mm2`` times the curvature."""
        return self.outline + scale_mm2 * self.curvature[:, None] * self.outward


def cut_section(
    rings: Rings,
    station_mm: float,
    *,
    exaggeration: float,
    changed_mm: ArrayLike | None = None,
    points: PointsOnRings | None = None,
    slab_mm: float | None = None,
    up: ArrayLike | None = None,
) -> SectionView:
    """Take the section at a station, between two rings where it must be.

    Parameters
    ----------
    rings : the surface as computed
    station_mm : along the tube from the first ring; held within the rings
    exaggeration : factor by which deviations along the normal are enlarged
    changed_mm : array_like, shape (n_u * n_v, 3), optional, the same points as changed by hand
    points : scan points on these rings
    slab_mm : points within half of this to either side of the station are taken; without it a millimetre, or
        two and a half spacings of the points where they are sparse
    up : array_like, shape (3,), optional, what is to be up in the plane unless the tube runs along it;
        without it the first point of the ring is to the right

    Raises
    ------
    ValueError
        Another number of changed points than of points.
    """
    factor = as_positive(exaggeration, name="exaggeration")
    station = float(np.clip(station_mm, 0.0, rings.length_mm))
    low = int(np.clip(np.searchsorted(rings.stations_mm, station) - 1, 0, len(rings.stations_mm) - 2))
    span = rings.stations_mm[low : low + 2]
    share = (station - span[0]) / (span[1] - span[0])
    mix = np.array([1.0 - share, share])
    ring, normals = (np.tensordot(mix, a[low : low + 2], axes=1) for a in (rings.points_mm, rings.normals))
    band = mix @ rings.band95_mm[low : low + 2]
    axes = _axes(rings, low, ring, up)
    outward = normals @ axes.T
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    outline = (ring - ring.mean(axis=0)) @ axes.T
    by_hand = _by_hand(rings, changed_mm, slice(low, low + 2), mix)
    place, height = _within(points, station, slab_mm)
    follows = np.arange(len(outline))
    return SectionView(
        station_mm=station,
        exaggeration=factor,
        ring_mm=ring,
        outline=outline,
        outward=outward,
        band_low=outline - factor * band[:, None] * outward,
        band_high=outline + factor * band[:, None] * outward,
        changed=outline + factor * by_hand[:, None] * outward,
        points=_around(outline, place) + factor * height[:, None] * _unit(_around(outward, place)),
        point_height_mm=height,
        curvature=closed_curvature(outline + by_hand[:, None] * outward),
        pieces=np.column_stack([follows, np.roll(follows, -1)]),
        reach_mm=float(np.linalg.norm(outline, axis=1).max()),
    )


def closed_curvature(outline: ArrayLike) -> Floats:
    """Curvature of a closed line at its points, (n,), 1/mm: of the circle through each and its neighbours.

    Positive where the line is convex, whichever way it runs.
    """
    points = as_points(outline, dim=2, name="outline")
    back, on = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
    cross = back[:, 0] * on[:, 1] - back[:, 1] * on[:, 0]
    product = np.linalg.norm(back, axis=1) * np.linalg.norm(on, axis=1) * np.linalg.norm(back + on, axis=1)
    x, y = points.T
    area = 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    return np.asarray(np.sign(area) * 2.0 * cross / np.maximum(product, 1e-300))


def round_length(longest_mm: float) -> float:
    """The largest of 1, 2 and 5 times a power of ten that is not above ``longest_mm``: for a scale bar."""
    power = 10.0 ** np.floor(np.log10(as_positive(longest_mm, name="longest_mm")))
    return float(max(step * power for step in (1.0, 2.0, 5.0) if step * power <= longest_mm * (1.0 + 1e-9)))


def _axes(rings: Rings, low: int, ring: Floats, up: ArrayLike | None) -> Floats:
    """Two unit vectors in the plane of a section, (2, 3), right and up, seen from the end of the tube."""
    centres = rings.points_mm.mean(axis=1)
    along = _unit(centres[low + 1] - centres[low])
    whole = _unit(centres[-1] - centres[0])
    if up is not None and np.linalg.norm(np.cross(whole, _unit(np.asarray(up)))) > _LEAST_LEAN:
        second = np.asarray(up, dtype=np.float64)
        second = _unit(second - (second @ along) * along)
        return np.array([np.cross(second, along), second])
    first = ring[0] - ring.mean(axis=0)
    first = _unit(first - (first @ along) * along)
    return np.array([first, np.cross(along, first)])


def _by_hand(rings: Rings, changed_mm: ArrayLike | None, part: slice, mix: Floats) -> Floats:
    """What the hand moved along the normal on one section, (n_v,)."""
    n_u, n_v = rings.band95_mm.shape
    if changed_mm is None:
        return np.zeros(n_v)
    changed = np.asarray(changed_mm)
    if changed.shape != (n_u * n_v, 3):
        raise ValueError(f"changed_mm must have shape ({n_u * n_v}, 3), got {changed.shape}")
    way = changed.reshape(n_u, n_v, 3)[part] - rings.points_mm[part]
    return np.asarray(mix @ np.einsum("ijk,ijk->ij", way, rings.normals[part]))


def _within(points: PointsOnRings | None, station: float, slab_mm: float | None) -> tuple[Floats, Floats]:
    """Places and heights of the points within a slab."""
    if points is None:
        return np.empty(0), np.empty(0)
    found = slab_around(points.station_mm, station, points.spacing_mm, slab_mm)
    return points.place[found], points.height_mm[found]


def slab_around(stations_mm: Floats, station_mm: float, spacing_mm: float, slab_mm: float | None) -> slice:
    """Which points, in the order of their stations, lie within a slab; see :func:`cut_section`."""
    slab = max(_SLAB_MM, _SLAB_SPACINGS * spacing_mm) if slab_mm is None else slab_mm
    first, last = np.searchsorted(stations_mm, [station_mm - slab / 2.0, station_mm + slab / 2.0])
    return slice(int(first), int(last))


def _around(values: Floats, place: Floats) -> Floats:
    """Values of a closed ring between its points, (k, 2)."""
    low = np.floor(place).astype(np.intp) % len(values)
    share = (place - np.floor(place))[:, None]
    return np.asarray((1.0 - share) * values[low] + share * values[(low + 1) % len(values)])


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))
