"""The parameter around the tube: arc length of the mean section after the affine map that makes it round.

An ellipse then has the parameter in which it is a pure first harmonic, and a long flat section has
as many basis functions at its tips as its curvature there asks for.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_N_BINS = 180
_N_HARMONICS = 24
_N_FINE = 1440
_STATION_MM = 4.0
#: Weight of the smoothness that bridges empty bins: harmonics from the fifth on are held down.
_BRIDGE = 1e-3


@dataclass(frozen=True)
class AroundMap:
    """Monotone map from the angle about the spine to the parameter ``v``; both in radians.

    ``tightest`` is the smallest radius of curvature of the mean section, as a share of its mean radius.
    """

    angles: NDArray[np.float64]
    values: NDArray[np.float64]
    tightest: float

    def __call__(self, angle_rad: NDArray[np.float64]) -> NDArray[np.float64]:
        """Parameter ``v`` in [0, 2 pi) for each angle."""
        turn = 2.0 * np.pi
        return np.mod(np.interp(np.mod(angle_rad, turn), self.angles, self.values), turn)


def _relative_radius(u: NDArray[np.float64], radius_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Radius over the mean radius near its station, so that a taper does not show in the mean section."""
    bins = np.floor((u - u.min()) / _STATION_MM).astype(int)
    count = np.maximum(np.bincount(bins), 1)
    return np.asarray(radius_mm / (np.bincount(bins, radius_mm) / count)[bins])


def _smooth_profile(angle_rad: NDArray[np.float64], radius: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fourier series of the radius by angle on a fine grid, from bin means; empty bins are bridged.

    Means and not medians: where the section changes along the tube, a median jumps between its
    two flanks from one bin to the next.
    """
    turn = 2.0 * np.pi
    bins = np.floor(np.mod(angle_rad, turn) * (_N_BINS / turn)).astype(int) % _N_BINS
    count = np.bincount(bins, minlength=_N_BINS)
    seen = np.flatnonzero(count)
    middle = np.arange(0.5, _N_BINS) * (turn / _N_BINS)
    mean = np.asarray(np.bincount(bins, radius, minlength=_N_BINS)[seen] / count[seen], dtype=np.float64)
    filled = _bridged(middle, seen, mean)
    spectrum = np.fft.rfft(filled)
    k = np.arange(len(spectrum))
    # A smooth roll-off, since a sharp one rings at the tips of an aerofoil.
    spectrum *= np.exp(-((k / _N_HARMONICS) ** 4)) * np.exp(-1j * k * np.pi / _N_BINS)
    padded = np.zeros(_N_FINE // 2 + 1, dtype=complex)
    padded[: len(spectrum)] = spectrum
    return np.fft.irfft(padded, _N_FINE) * (_N_FINE / _N_BINS)


def _bridged(
    middle: NDArray[np.float64], seen: NDArray[np.int64], mean: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Bin means with the empty bins bridged, in the map that makes the closest ellipse round.

    There a smooth series bridges them in which size and place of a circle cost nothing: a strip that was
    never seen neither flattens an oval nor shifts the parameters on it.
    """
    if len(seen) == len(middle):
        return mean
    around = np.column_stack([np.cos(middle), np.sin(middle)])
    points = mean[:, None] * around[seen]
    x, y = points.T / mean.mean()
    conic = np.linalg.lstsq(np.column_stack([x * x, x * y, y * y, x, y]), np.ones(len(x)), rcond=None)[0]
    shape = np.array([[conic[0], conic[1] / 2.0], [conic[1] / 2.0, conic[2]]])
    values, vectors = np.linalg.eigh(shape)
    if values[0] <= 0.0:
        return np.asarray(np.interp(middle, middle[seen], mean, period=2.0 * np.pi))
    centre = -np.linalg.solve(shape, conic[3:]) / 2.0 * mean.mean()
    to_round = vectors @ np.diag(np.sqrt(values)) @ vectors.T
    flat = (points - centre) @ to_round
    turn, radius = np.arctan2(flat[:, 1], flat[:, 0]), np.linalg.norm(flat, axis=1)
    k = np.arange(1, _N_HARMONICS + 1)

    def series(angle: NDArray[np.float64]) -> NDArray[np.float64]:
        waves = np.outer(angle, k)
        return np.column_stack([np.ones(len(angle)), np.cos(waves), np.sin(waves)])

    rough = np.concatenate([[0.0], np.tile((k * (k**2 - 1.0)) ** 2, 2)])
    design = series(turn)
    system = design.T @ design + np.diag(_BRIDGE * rough + 1e-9)
    fine = np.linspace(0.0, 2.0 * np.pi, _N_FINE, endpoint=False)
    whole = (series(fine) @ np.linalg.solve(system, design.T @ radius))[:, None]
    back = whole * np.column_stack([np.cos(fine), np.sin(fine)]) @ np.linalg.inv(to_round) + centre
    angle = np.arctan2(back[:, 1], back[:, 0])
    filled = np.interp(middle, angle, np.linalg.norm(back, axis=1), period=2.0 * np.pi)
    filled[seen] = mean
    return filled


def _curvature(curve: NDArray[np.float64]) -> NDArray[np.float64]:
    """Curvature of a closed polygon that samples a smooth curve finely, by central differences."""
    first = np.roll(curve, -1, axis=0) - np.roll(curve, 1, axis=0)
    second = np.roll(curve, -1, axis=0) - 2.0 * curve + np.roll(curve, 1, axis=0)
    cross = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    return np.asarray(4.0 * cross / np.linalg.norm(first, axis=1) ** 3)


def around_map(
    u: NDArray[np.float64], angle_rad: NDArray[np.float64], radius_mm: NDArray[np.float64]
) -> AroundMap:
    """Map for the mean section of points given by station, angle and distance about the spine."""
    profile = _smooth_profile(angle_rad, _relative_radius(u, radius_mm))
    angle = np.arange(_N_FINE) * (2.0 * np.pi / _N_FINE)
    curve = profile[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    tightest = 1.0 / float(_curvature(curve).max())
    for _ in range(3):
        edge = np.roll(curve, -1, axis=0) - curve
        length = np.linalg.norm(edge, axis=1)
        middle = (np.roll(curve, -1, axis=0) + curve) / 2.0
        mean = (middle * length[:, None]).sum(0) / length.sum()
        spread = ((middle - mean).T * length) @ (middle - mean) / length.sum()
        values, vectors = np.linalg.eigh(spread)
        curve = (curve - mean) @ vectors @ np.diag(values**-0.5) @ vectors.T
    edge = np.linalg.norm(np.roll(curve, -1, axis=0) - curve, axis=1)
    arc = np.concatenate([[0.0], np.cumsum(edge)])
    return AroundMap(np.append(angle, 2.0 * np.pi), arc * (2.0 * np.pi / arc[-1]), tightest)
