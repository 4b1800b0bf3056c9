"""Does one half of the tube continue the other? The test of a motion against what stands still."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, fdtrc

from gaploft.evidence.free_motion import Measured, measure_motion, motion_between
from gaploft.evidence.model import Halves
from gaploft.evidence.motion import SLIDE, TWIST, Motion
from gaploft.evidence.trusted_fit import TubeFit

#: A motion counts as real when an unbroken tube would show one as large in less than one case in a thousand.
_SIGNIFICANCE = 0.001
#: ... and is more than what the plainest surface through both halves leaves to chance, one case in a hundred.
#: A bend that the halves explain only after they were moved far apart is the tube's own.
_AT_FIRST = 0.01
#: A half that sits within this is where it was, for anything that will be machined, mm.
_FELT_MM = 0.05
#: Stretches in one half across which nothing has moved: their length as a share of the half, and where the
#: middle of each lies between the outermost places that leave two slices beyond.
_SHARE_OF_HALF, _PLACES, _BEYOND = 0.45, (0.0, 0.5, 1.0), 2
#: Of these, so many count as independent.
_INDEPENDENT = 2


@dataclass(frozen=True)
class HalvesTest:
    """Motion of the 'to' half against the 'from' half, and whether it is real.

    ``motion`` holds its twist and slide at zero where they don't stand out, ``free`` does not.
    """

    motion: Motion
    free: Motion
    significant: bool


def halves_test(fit: TubeFit) -> HalvesTest | None:
    """Motion of one half of a fitted tube against the other, tested; None where too little of one is seen.

    Notes
    -----
    The same motion is measured across stretches within each half, where nothing has moved: how many standard
    uncertainties appear there says how much larger than stated these are, and the ratio of both is tested as
    one of variances (F test).
    """
    # The points as a close fit weighs them: a stiff one takes a rim that has moved for an outlier.
    density = fit.noise.density_mm4
    middle = sum(fit.outline.gap_mm) / 2.0
    measured = motion_between(fit.chosen.problem, middle, radius_mm=fit.radius_mm, density_mm4=density)
    if measured is None:
        return None
    still = _still(measured, fit.rebuilt_mm[1] - fit.rebuilt_mm[0], middle)
    usual = max(1.0, float(np.mean(still))) if still else 1.0
    found = measured.motion
    free = replace(found, covariance=usual * found.covariance)
    n_seen = int(found.seen.sum())
    freedom = max(1, _INDEPENDENT * len(still) // len(_PLACES)) * n_seen
    real = (
        bool(still)
        and fdtrc(n_seen, freedom, found.surprise / usual) < _SIGNIFICANCE
        and chdtrc(n_seen, measured.first_surprise * n_seen) < _AT_FIRST
    )
    motion = free.settled()
    felt = np.hypot(np.linalg.norm(motion.steps[:2]), np.linalg.norm(motion.steps[2 : TWIST + 1]))
    return HalvesTest(motion, free, bool(real and felt > _FELT_MM))


def _still(measured: Measured, length_mm: float, middle_mm: float) -> list[float]:
    """Squared motion, in standard uncertainties, across stretches within each half."""
    traces = measured.traces
    found = []
    for half in (traces.u < middle_mm, traces.u > middle_mm):
        u = traces.u[half]
        if len(u) < 3 * _BEYOND:
            continue
        blank = min(length_mm, _SHARE_OF_HALF * (u[-1] - u[0])) / 2.0
        first, last = u[_BEYOND - 1] + blank, u[-_BEYOND] - blank
        for place in _PLACES:
            station = float(first + place * (last - first))
            part = half & (np.abs(traces.u - station) >= blank)
            found.append(measure_motion(traces, measured.roughness, part, station).surprise)
    return found


def summary(test: HalvesTest) -> Halves:
    """The figures of a test as the report states them."""
    free, radius = test.free, test.free.radius_mm
    spread = np.sqrt(np.diag(free.covariance))
    missing = [name for name, step in (("twist", TWIST), ("slide", SLIDE)) if not free.seen[step]]

    def turn(length_mm: float) -> float:
        return float(np.degrees(length_mm / radius))

    def where_seen(step: int, value: float) -> float:
        return value if free.seen[step] else float("nan")

    return Halves(
        offset_mm=float(np.linalg.norm(test.motion.steps[:2])),
        angle_deg=turn(float(np.linalg.norm(test.motion.steps[2:TWIST]))),
        twist_deg=where_seen(TWIST, turn(free.steps[TWIST])),
        significant=test.significant,
        offset_u_mm=_across(spread[:2]),
        angle_u_deg=turn(_across(spread[2:TWIST])),
        twist_u_deg=where_seen(TWIST, turn(spread[TWIST])),
        slide_mm=where_seen(SLIDE, float(free.steps[SLIDE])),
        slide_u_mm=where_seen(SLIDE, float(spread[SLIDE])),
        not_seen=tuple(missing),
    )


def _across(spread: NDArray[np.float64]) -> float:
    """Standard uncertainty in a plane, root mean square over its directions: a length near zero has none of
    its own."""
    return float(np.sqrt(np.mean(spread**2)))
