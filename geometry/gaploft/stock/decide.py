"""Whether a part conforms to its limits, with the uncertainty of its measurement taken into account."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from gaploft.stock.model import FILL, GRIND, LABELS, LEAVE, UNDECIDED, UNSEEN, Decision, Verdict
from gaploft.stock.samples import Samples
from gaploft.stock.spots import pieces

Floats = NDArray[np.float64]

#: Conformance probability that ISO 14253-1:2017 takes where nothing else is agreed, and the standard normal
#: quantile of it: the guard band of one limit that is far from the other.
PROBABILITY, GUARD = 0.95, 1.6448536269514722
#: Smaller places than this decide nothing about the part as a whole; less of it may be unseen.
SPECK_MM2, UNSEEN_SHARE = 2.0, 0.02
_HALVINGS = 50


def guard_band(uncertainty_mm: ArrayLike, width_mm: float) -> Floats:
    """How far inside both limits a measured value must lie to conform at 95 %.

    Parameters
    ----------
    uncertainty_mm : array_like, (n,), standard uncertainties
    width_mm : upper less lower limit, may be infinite

    Returns
    -------
    (n,), mm; infinite where the limits are too close together for anything to conform

    Notes
    -----
    A value m conforms when the normal distribution about it with that spread has 95 % between the limits
    (JCGM 106:2012). With one limit far off this is 1.645 u, the one-sided guard band of ISO 14253-1:2017.
    """
    u = np.maximum(np.asarray(uncertainty_mm, dtype=np.float64), 1e-12)
    low, high = GUARD * u, np.full_like(u, 0.5 * width_mm)
    if np.isinf(width_mm):
        return low
    possible = ndtr(high / u) - ndtr(-high / u) >= PROBABILITY
    low, high = np.minimum(low, high), np.maximum(high, low)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        enough = ndtr((width_mm - middle) / u) - ndtr(-middle / u) >= PROBABILITY
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(possible, high, np.inf)


@dataclass(frozen=True)
class Judged:
    """Labels of samples, (n,) uint8, and the decision on the whole."""

    label: NDArray[np.uint8]
    decision: Decision


def judge(
    samples: Samples, mean_mm: Floats, uncertainty_mm: Floats, limits_mm: tuple[float, float]
) -> Judged:
    """Label every place of a part, and the part as a whole.

    Parameters
    ----------
    mean_mm, uncertainty_mm : (n,) measured means over 2 mm^2, NaN where nothing was seen, and their standard
        uncertainties
    limits_mm : lowest and highest that conform

    Notes
    -----
    ISO 14253-1:2017: within the limits less the guard band is conforming ("leave"), beyond a limit by more
    than the guard band is not ("grind" above, "fill" below), between is undecided. The whole conforms when no
    place of more than 2 mm^2 is anything but conforming and at most 2 % were not seen.
    """
    lower, upper = limits_mm
    inside = guard_band(uncertainty_mm, upper - lower)
    above = mean_mm - upper - GUARD * uncertainty_mm
    below = lower - GUARD * uncertainty_mm - mean_mm
    within = np.where(np.isinf(inside), -1.0, np.minimum(mean_mm - lower, upper - mean_mm) - inside)
    label = np.full(len(mean_mm), UNDECIDED, dtype=np.uint8)
    for number, score in ((LEAVE, within), (GRIND, above), (FILL, below)):
        label[np.nan_to_num(score, nan=-1.0) > 0.0] = number
    label[np.isnan(mean_mm)] = UNSEEN
    # A speck of noise at a limit that can never be met is no conforming place.
    area = {LABELS[LEAVE]: samples.area_over(within)}
    area[LABELS[GRIND]], area[LABELS[FILL]] = samples.area_over(above), samples.area_over(below)
    seen = samples.area_over(np.where(np.isnan(mean_mm), np.nan, 1.0))
    area[LABELS[UNDECIDED]] = max(0.0, seen - sum(area.values()))
    area[LABELS[UNSEEN]] = max(0.0, samples.total_mm2() - seen)
    verdict = _whole(samples, label, area[LABELS[UNSEEN]] / samples.total_mm2())
    rule = _rule(float(np.nanmedian(uncertainty_mm)), limits_mm)
    return Judged(label, Decision({name: area[name] for name in LABELS}, verdict, lower, upper, rule))


def _whole(samples: Samples, label: NDArray[np.uint8], unseen_share: float) -> Verdict:
    if _largest(samples, (label == GRIND) | (label == FILL)) > SPECK_MM2:
        return "not conforming"
    doubtful = (label != LEAVE) & (label != UNSEEN)
    if _largest(samples, doubtful) > SPECK_MM2 or unseen_share > UNSEEN_SHARE:
        return "undecided"
    return "conforming"


def _largest(samples: Samples, where: NDArray[np.bool_]) -> float:
    """Area of the largest connected place."""
    label = pieces(samples.skin.faces, where)
    if not where.any():
        return 0.0
    return float(np.bincount(label[where], samples.area_mm2[where]).max())


def _rule(uncertainty_mm: float, limits_mm: tuple[float, float]) -> str:
    lower, upper = limits_mm
    guard = float(guard_band(np.array([uncertainty_mm]), upper - lower)[0])
    limits = f"from {lower:+.3f} to {upper:+.3f} mm".replace("-inf", "any depth").replace(
        "+inf", "any height"
    )
    limits = limits.replace("any height mm", "any height")
    shown = "no measured value can be shown to conform" if np.isinf(guard) else f"guard band {guard:.3f} mm"
    return (
        f"Limits {limits}. ISO 14253-1:2017 with 95 % conformance probability: a place conforms when it lies "
        f"inside the limits by the guard band or more, does not when it lies outside by it or more, and is "
        f"undecided between. At the median standard uncertainty of {uncertainty_mm:.3f} mm: {shown}. The "
        f"part conforms when every place of more than {SPECK_MM2:g} mm² does and the scan saw all but "
        f"{100.0 * UNSEEN_SHARE:g} %."
    )
