"""What the surroundings of a place say its noise must be: what tells correlated noise from a low spot."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.stock.noise import Noise
from gaploft.stock.samples import Neighbours

Floats = NDArray[np.float64]

#: Numbers in the systems that are solved at once.
_AT_ONCE = 4_000_000
#: Surroundings are not noise alone when their own mean stands out from zero by so many standard deviations,
#: when what they foretell would, or when less than this share of them is quiet.
_SCATTER, _QUIET_SHARE = 2.5, 0.6
#: Without any noise, what arithmetic and chords leave.
LEAST_NOISE_MM = 0.001


@dataclass(frozen=True)
class Patches:
    """Small places with a value each: points (n, 3), height (n,), area (n,)."""

    points: Floats
    height_mm: Floats
    area_mm2: Floats


def expected_noise(
    noise: Noise, disc: Patches, in_disc: Neighbours, around: Patches, about: Neighbours
) -> tuple[Floats, Floats]:
    """Noise in the mean over each of p discs as the patches around foretell it, and its uncertainty.

    Parameters
    ----------
    disc, in_disc : the patches that discs are made of, and which of them make up each disc
    around, about : other patches, NaN for those that hold more than noise, and which lie about each disc

    Returns
    -------
    expected (p,), and its standard uncertainty (p,); 0 and that of the disc's own mean where the surroundings
    say nothing, or are no noise themselves

    Notes
    -----
    Simple kriging: the best linear prediction under a known covariance with mean zero (G. Matheron,
    "Principles of geostatistics", Economic Geology 58, 1963; cited from memory), solved anew for every place
    with the patches that are there, so that it holds at ends and holes, too.
    """
    expected, spread = np.zeros(len(in_disc.row)), np.zeros(len(in_disc.row))
    for part in _parts(len(expected), about.row.shape[1], in_disc.row.shape[1]):
        expected[part], spread[part] = _predicted(noise, disc, in_disc.part(part), around, about.part(part))
    return expected, spread


def _predicted(
    noise: Noise, disc: Patches, in_disc: Neighbours, around: Patches, about: Neighbours
) -> tuple[Floats, Floats]:
    own, weight, variance = _own(noise, disc, in_disc)
    there, height, area = _gathered(around, about)
    counts = np.isfinite(height) & (area > 0.0)
    both = counts[:, :, None] & counts[:, None, :]
    among = np.where(both, noise.smooth_covariance(_apart(there, there)), 0.0)
    nugget = (
        np.minimum(noise.white_density_mm4 / np.maximum(area, 1e-12), noise.white_mm**2)
        + 1e-4 * noise.smooth_mm**2
    )
    diagonal = np.arange(among.shape[1])
    among[:, diagonal, diagonal] += np.where(counts, nugget + 1e-12, 1.0)
    across = np.einsum("pi,pij->pj", weight, noise.smooth_covariance(_apart(own, there)))
    across = np.where(counts, across, 0.0)
    share = np.linalg.solve(among, across[..., None])[..., 0]
    height = np.where(counts, height, 0.0)
    number = np.maximum(counts.sum(axis=1), 1)
    scatter = np.einsum("pi,pij,pj->p", counts, among, counts) / number**2
    expected = np.einsum("pi,pi->p", share, height)
    usual = np.abs(height.sum(axis=1) / number) <= _SCATTER * np.maximum(np.sqrt(scatter), LEAST_NOISE_MM)
    usual &= np.abs(expected) <= _SCATTER * np.maximum(np.sqrt(variance), LEAST_NOISE_MM)
    usual &= counts.sum(axis=1) >= _QUIET_SHARE * (area > 0.0).sum(axis=1)
    known = np.where(usual, np.einsum("pi,pi->p", share, across), 0.0)
    expected = np.where(usual, expected, 0.0)
    return expected, np.sqrt(np.maximum(variance - known, 0.0))


def spread_alone(noise: Noise, disc: Patches, in_disc: Neighbours) -> Floats:
    """Standard deviation of noise in the mean over each disc, (p,)."""
    result = np.zeros(len(in_disc.row))
    for part in _parts(len(result), in_disc.row.shape[1]):
        result[part] = np.sqrt(_own(noise, disc, in_disc.part(part))[2])
    return result


def _own(noise: Noise, disc: Patches, in_disc: Neighbours) -> tuple[Floats, Floats, Floats]:
    """Points of discs (p, k, 3), their shares (p, k), and the variance of noise in the means (p,)."""
    own, _, area = _gathered(disc, in_disc)
    total = np.maximum(area.sum(axis=1), 1e-12)
    weight = area / total[:, None]
    smooth = np.einsum("pi,pij,pj->p", weight, noise.smooth_covariance(_apart(own, own)), weight)
    return own, weight, smooth + np.minimum(noise.white_density_mm4 / total, noise.white_mm**2)


def _gathered(patches: Patches, near: Neighbours) -> tuple[Floats, Floats, Floats]:
    """Points (p, k, 3), heights and areas (p, k) of neighbours; those that are none have no area."""
    points = np.vstack([patches.points, np.zeros(3)])[near.row]
    return points, np.append(patches.height_mm, np.nan)[near.row], np.append(patches.area_mm2, 0.0)[near.row]


def _apart(one: Floats, other: Floats) -> Floats:
    """Squared distances between k and l points of each place, (p, k, l)."""
    squares = np.einsum("pki,pki->pk", one, one)[:, :, None] + np.einsum("pki,pki->pk", other, other)[:, None]
    return np.asarray(np.maximum(squares - 2.0 * one @ other.transpose(0, 2, 1), 0.0))


def _parts(count: int, *sides: int) -> Iterator[slice]:
    step = max(1, _AT_ONCE // max(sides) ** 2)
    for start in range(0, count, step):
        yield slice(start, min(start + step, count))
