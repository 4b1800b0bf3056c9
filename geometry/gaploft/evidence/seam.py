"""Seams: how the rebuilt surface meets the intact scan at the rims."""

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.model import Seam

_HARMONICS = 2


def seam_at_rims(
    distance_mm: NDArray[np.float64],
    rim: NDArray[np.int8],
    v: NDArray[np.float64],
    residual_mm: NDArray[np.float64],
    weights: NDArray[np.float64],
    margins_mm: tuple[float, ...],
    *,
    length_mm: float,
) -> Seam:
    """Step and angle between surface and trusted scan, the worst over all rims.

    The residual over the first ``length_mm`` of intact tube is fitted by a line along the tube whose
    coefficients are harmonics up to the second around it, so that single noisy points do not pass for
    a step: the step is its largest value at the rim, the angle its largest slope.
    """
    angles = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    worst_step, worst_slope = 0.0, 0.0
    for number, margin in enumerate(margins_mm):
        near = (rim == number) & (distance_mm >= margin) & (distance_mm < margin + length_mm)
        if near.sum() < 50:
            continue
        around = _harmonics(v[near])
        along = (distance_mm[near] - margin)[:, None]
        design = np.hstack([around, along * around]) * np.sqrt(weights[near])[:, None]
        solution = np.linalg.lstsq(design, residual_mm[near] * np.sqrt(weights[near]), rcond=None)[0]
        n = around.shape[1]
        worst_step = max(worst_step, float(np.abs(_harmonics(angles) @ solution[:n]).max()))
        worst_slope = max(worst_slope, float(np.abs(_harmonics(angles) @ solution[n:]).max()))
    return Seam(worst_step, float(np.degrees(np.arctan(worst_slope))))


def _harmonics(v: NDArray[np.float64]) -> NDArray[np.float64]:
    turns = np.arange(1, _HARMONICS + 1) * v[:, None]
    return np.hstack([np.ones((len(v), 1)), np.cos(turns), np.sin(turns)])
