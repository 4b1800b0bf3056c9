"""Seams: how the rebuilt surface meets the intact scan at the rims."""

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.model import Seam

_HARMONICS = 2
#: Mean of the largest square around a ring that five harmonics of noise make, in variances of one place (by
#: simulation).
_NOISE_PEAK = 3.44

Floats = NDArray[np.float64]


def seam_at_rims(
    distance_mm: Floats,
    rim: NDArray[np.int8],
    v: Floats,
    residual_mm: Floats,
    weights: Floats,
    margins_mm: tuple[float, ...],
    *,
    length_mm: float,
    density_mm4: float,
) -> Seam:
    """Step and angle between surface and trusted scan, the worst over all rims.

    Parameters
    ----------
    length_mm : intact tube at each rim that they are read from
    density_mm4 : noise variance times area

    Notes
    -----
    The residual over the first ``length_mm`` of intact tube is fitted by a line along the tube whose
    coefficients are harmonics up to the second around it, so that single noisy points do not pass for
    a step: the step is its largest value at the rim, the angle its largest slope. What the noise of the scan
    shows there on its own is taken off, squares from squares, and stated beside as the uncertainty.
    """
    angles = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    around_all = _harmonics(angles)
    found = [(0.0, 0.0, 0.0, 0.0)]
    for number, margin in enumerate(margins_mm):
        near = (rim == number) & (distance_mm >= margin) & (distance_mm < margin + length_mm)
        if near.sum() < 50:
            continue
        around = _harmonics(v[near])
        along = (distance_mm[near] - margin)[:, None]
        design = np.hstack([around, along * around])
        weighted = design * weights[near, None]
        information = weighted.T @ design
        # Harmonics that a rim seen in part does not show are left at zero.
        inverse = np.linalg.pinv(information, rcond=1e-6, hermitian=True)
        solution = inverse @ (weighted.T @ residual_mm[near])
        n = around.shape[1]
        for_noise = density_mm4 * inverse
        step, step_u = _without_noise(around_all, solution[:n], for_noise[:n, :n])
        slope, slope_u = _without_noise(around_all, solution[n:], for_noise[n:, n:])
        found.append((step, slope, step_u, slope_u))
    worst = np.array(found).max(axis=0)
    angle, angle_u = (float(np.degrees(np.arctan(value))) for value in worst[[1, 3]])
    return Seam(float(worst[0]), angle, float(worst[2]), angle_u)


def _without_noise(around: Floats, solution: Floats, covariance: Floats) -> tuple[float, float]:
    """Largest value around a rim less what noise alone makes of it, and its standard uncertainty."""
    variance = float(np.einsum("ij,jk,ik->i", around, covariance, around).mean())
    largest = float(((around @ solution) ** 2).max())
    return float(np.sqrt(max(largest - _NOISE_PEAK * variance, 0.0))), float(np.sqrt(variance))


def _harmonics(v: Floats) -> Floats:
    turns = np.arange(1, _HARMONICS + 1) * v[:, None]
    return np.hstack([np.ones((len(v), 1)), np.cos(turns), np.sin(turns)])
