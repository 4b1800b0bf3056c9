"""How unevenly a trace runs along the tube, told by what lies within each half alone."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.traces import Traces

#: Roughness tried, as the strongest part of it in noise variances.
_STEPS = np.logspace(-4.0, 10.0, 57)
#: A trace without any noise, as of a made-up scan, still has some.
_LEAST_SCALE = 1e-6
#: Polynomials that cost nothing: a trace may be offset, inclined and evenly bent.
FREE = 3


@dataclass(frozen=True)
class Roughness:
    """Covariance of each trace: ``noise`` (n, k) of its slices, mm^2, and ``drive`` (k,) of its wandering.

    Stations are counted in shares ``x`` (n,) of the length of the tube that was scanned.
    """

    x: NDArray[np.float64]
    noise: NDArray[np.float64]
    drive: NDArray[np.float64]

    def covariance(self, trace: int, part: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Covariance of some of the slices of one trace, mm^2."""
        return np.diag(self.noise[part, trace]) + self.drive[trace] * wandering(self.x[part])

    def free(self, part: NDArray[np.bool_]) -> NDArray[np.float64]:
        """What costs nothing, as columns (n, FREE)."""
        return np.stack([self.x[part] ** k for k in range(FREE)], axis=1)


def wandering(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Covariance (n, n) of white noise integrated three times from 0.

    Fits with this covariance are the splines with the smallest third derivative (Wahba, *Spline Models for
    Observational Data*, 1990, chapter 1; cited from memory).
    """
    low, gap = np.minimum.outer(x, x), np.abs(np.subtract.outer(x, x))
    return np.asarray(low**5 / 20.0 + low**4 * gap / 8.0 + low**3 * gap**2 / 12.0)


def roughness_of(traces: Traces, far: NDArray[np.bool_]) -> Roughness:
    """Roughness of each trace while the far slices are free to have moved as a whole.

    Notes
    -----
    Restricted likelihood (Patterson and Thompson 1971; cited from memory): what a polynomial or a motion of
    the far half can explain is taken out first, so that the motion can't pass for roughness. The likelihood
    is averaged over the roughness instead of taking its peak: with few slices the peak often is at no
    roughness at all, which would make the answer look surer than it is.
    """
    x = (traces.u - traces.u[0]) / (traces.u[-1] - traces.u[0])
    polynomials = np.stack([x**k for k in range(FREE)], axis=1)
    wander = wandering(x)
    noise, drive = np.empty_like(traces.noise), np.empty(traces.noise.shape[1])
    for k in range(len(drive)):
        known = np.hstack([polynomials, traces.columns[:, k] * far[:, None]])
        scale, driven = _averaged(traces.values[:, k], traces.noise[:, k], wander, known)
        noise[:, k], drive[k] = scale * traces.noise[:, k], driven
    return Roughness(x, noise, drive)


def _averaged(
    values: NDArray[np.float64],
    noise: NDArray[np.float64],
    wander: NDArray[np.float64],
    known: NDArray[np.float64],
) -> tuple[float, float]:
    """Factor on the noise, and drive, averaged over the restricted likelihood of one trace."""
    whiten = 1.0 / np.sqrt(noise)
    columns = known * whiten[:, None]
    columns /= np.maximum(np.linalg.norm(columns, axis=0), 1e-300)
    left, strength, _ = np.linalg.svd(columns, full_matrices=True)
    rest = left[:, int((strength > 1e-7 * strength[0]).sum()) :]
    power, turned = np.linalg.eigh(rest.T @ (wander * np.outer(whiten, whiten)) @ rest)
    squares = (turned.T @ (rest.T @ (values * whiten))) ** 2
    strongest = max(float(power[-1]), 1e-300)
    spread = 1.0 + _STEPS[:, None] * np.maximum(power, 0.0) / strongest
    scale = np.maximum(np.mean(squares / spread, axis=1), _LEAST_SCALE)
    log_likelihood = -0.5 * (np.log(spread).sum(axis=1) + len(squares) * np.log(scale))
    share = np.exp(log_likelihood - log_likelihood.max())
    share /= share.sum()
    return float(share @ scale), float(share @ (scale * _STEPS)) / strongest
