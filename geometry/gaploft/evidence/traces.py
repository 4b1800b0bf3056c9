"""Where the tube's section lies, station by station: traces that a rigid motion of one half would break."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.surface.basis import TURN_RAD, wrapped
from gaploft.surface.fit import FitPoints
from gaploft.surface.model import TubeSurface

#: Slices along the tube, mm: wide enough that the noise of one says nothing of the next.
_NARROWEST_MM, _WIDEST_MM, _PER_FLANK = 4.0, 8.0, 8
_AROUND = np.arange(96) * (TURN_RAD / 96)
#: A pattern of motion this much weaker than the strongest is noise of the normals, not the tube's shape.
_FAINT = 0.02
#: No slice lies closer than its coordinates are written, mm.
_LEAST_MM = 1e-5


@dataclass(frozen=True)
class Traces:
    """Departure of the scan from a smooth surface, slice by slice, as what moves a section.

    Attributes
    ----------
    u : (n,) stations of the slices, mm
    values : (n, k) departures along k patterns around the section, mm: sideways twice, turned and along
        where the section shows these
    columns : (n, k, 6) the same traces of a shift by 1 mm in x, y, z and of a turn about x, y, z through
        ``centre`` that moves things at ``radius_mm`` by 1 mm
    noise : (n, k) variance of the values from scan noise, mm^2
    centre, axis, middle_mm : (3,) of the tube between the halves, at this station
    """

    u: NDArray[np.float64]
    values: NDArray[np.float64]
    columns: NDArray[np.float64]
    noise: NDArray[np.float64]
    centre: NDArray[np.float64]
    axis: NDArray[np.float64]
    middle_mm: float
    radius_mm: float

    def about(self, centre: NDArray[np.float64]) -> NDArray[np.float64]:
        """The columns for turns through another centre."""
        moved = self.columns.copy()
        moved[:, :, 3:] -= np.cross((centre - self.centre) / self.radius_mm, self.columns[:, :, :3])
        return moved


def middle_ring(base: TubeSurface, station_mm: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centre and axis of a surface at one station, (3,) each."""
    stations = np.full(len(_AROUND), station_mm)
    axis = base.derivatives(stations, _AROUND, 1, 0).mean(axis=0)
    return base.evaluate(stations, _AROUND).mean(axis=0), axis / np.linalg.norm(axis)


def section_traces(
    data: FitPoints, base: TubeSurface, middle_mm: float, *, radius_mm: float, density_mm4: float
) -> Traces:
    """Traces of trusted points about a smooth base surface.

    Parameters
    ----------
    data : trusted points on both sides of ``middle_mm``
    base : the plainest surface through them, so stiff that it can't follow a motion of one half
    density_mm4 : noise variance times area

    Notes
    -----
    The patterns are those in which a sideways shift, a turn about the axis and a shift along it show on the
    mean section, made orthogonal. A change of the section's shape hardly shows in them where the section is
    symmetric; where it does, it is smooth, and so is its trace.
    """
    kept = data.where(data.weights > 0.0)
    feet = base.project(kept.points, kept.u, kept.v, steps=2)
    centre, axis = middle_ring(base, middle_mm)
    patterns = _patterns(base, kept.u, axis, radius_mm)
    around = _at(patterns, feet.v)
    arms = kept.points - centre
    columns = np.hstack([feet.normals, np.cross(arms, feet.normals) / radius_mm])
    shortest = min(np.ptp(kept.u[kept.u < middle_mm]), np.ptp(kept.u[kept.u >= middle_mm]))
    width = float(np.clip(shortest / _PER_FLANK, _NARROWEST_MM, _WIDEST_MM))
    # Slices are counted from the middle, so that none holds points of both halves.
    slice_of = np.floor((feet.u - middle_mm) / width).astype(int)
    slice_of -= slice_of.min()
    u, normal, head = _sums(
        slice_of, feet.u, kept.weights, around, np.column_stack([feet.distance_mm, columns])
    )
    enough = np.linalg.cond(normal) < 50.0
    inverse = np.linalg.inv(normal[enough])
    solved = inverse @ head[enough]
    noise = np.maximum(density_mm4 * np.einsum("sii->si", inverse), _LEAST_MM**2)
    return Traces(u[enough], solved[:, :, 0], solved[:, :, 1:], noise, centre, axis, middle_mm, radius_mm)


def _patterns(
    base: TubeSurface, u: NDArray[np.float64], axis: NDArray[np.float64], radius_mm: float
) -> NDArray[np.float64]:
    """Orthonormal patterns (96, k) around the section in which rigid motions show, k at most 4."""
    stations = np.quantile(u, np.linspace(0.0, 1.0, 16))
    uu, vv = np.meshgrid(stations, _AROUND, indexing="ij")
    points, normals = base.evaluate(uu, vv), base.normals(uu, vv)
    tangents = base.derivatives(uu, vv, 1, 0).mean(axis=1, keepdims=True)
    tangents /= np.linalg.norm(tangents, axis=-1, keepdims=True)
    side = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    first = side - (side * tangents).sum(-1, keepdims=True) * tangents
    first /= np.linalg.norm(first, axis=-1, keepdims=True)
    arms = points - points.mean(axis=1, keepdims=True)
    shown = np.stack(
        [
            (normals * first).sum(-1).mean(axis=0),
            (normals * np.cross(tangents, first)).sum(-1).mean(axis=0),
            (np.cross(arms, normals) * tangents).sum(-1).mean(axis=0) / radius_mm,
            (normals * tangents).sum(-1).mean(axis=0),
        ],
        axis=1,
    )
    left, strength, _ = np.linalg.svd(shown, full_matrices=False)
    return np.asarray(left[:, strength > _FAINT * strength[0]] * np.sqrt(len(_AROUND)))


def _at(patterns: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
    """Patterns at angles, (n, k)."""
    angles = np.append(_AROUND, TURN_RAD)
    closed = np.concatenate([patterns, patterns[:1]])
    return np.stack([np.interp(wrapped(v), angles, column) for column in closed.T], axis=1)


def _sums(
    slice_of: NDArray[np.int64],
    u: NDArray[np.float64],
    weights: NDArray[np.float64],
    around: NDArray[np.float64],
    shown: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Station, normal equations (n, k, k) and right-hand sides (n, k, m) of each well filled slice."""

    def total(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.bincount(slice_of, values).astype(np.float64)

    area = total(weights)
    full = area > 0.3 * np.median(area[area > 0.0])
    weighted = around * weights[:, None]
    n, k, m = len(area), around.shape[1], shown.shape[1]
    normal = np.stack([total(weighted[:, i] * around[:, j]) for i in range(k) for j in range(k)], axis=1)
    head = np.stack([total(weighted[:, i] * shown[:, j]) for i in range(k) for j in range(m)], axis=1)
    station = total(weights * u)[full] / area[full]
    return station, normal.reshape(n, k, k)[full], head.reshape(n, k, m)[full]
