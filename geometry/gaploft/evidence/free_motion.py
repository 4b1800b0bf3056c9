"""Measuring the motion of one half of a tube against the other from its traces."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from gaploft.evidence.motion import SLIDE, TWIST, Motion, moved, solved
from gaploft.evidence.roughness import FREE, Roughness, roughness_of
from gaploft.evidence.traces import Traces, section_traces
from gaploft.surface.fairness import Waves
from gaploft.surface.fit import FitPoints, Problem, spread_out
from gaploft.surface.weights import BEND_DIAMETERS, DETAIL_DIAMETERS

#: A half that was put back by eye is off by about this much (common practice, no source). It holds back what
#: the scan hardly shows, and a twist or slide that the scan does not know better than this is not seen.
_USUAL_MM, _USUAL_DEG = 1.0, 1.0
#: Rounds of moving the half back and measuring anew, and the step, in standard uncertainties, below which
#: nothing is left to do.
_ROUNDS, _LEFT = 6, 0.2
#: Points that the traces are drawn from: closer ones share their noise.
_POINTS = 15_000
#: Slices without which nothing can be said of a half.
_LEAST_SLICES = 3


def measure_motion(
    traces: Traces,
    roughness: Roughness,
    part: NDArray[np.bool_],
    middle_mm: float,
    found: NDArray[np.float64] | None = None,
) -> Motion:
    """Motion of all slices beyond a station that lets every trace run on most evenly.

    Parameters
    ----------
    traces, roughness : the traces, and how unevenly they run
    part : (n,) which of their slices are used
    middle_mm : the station; turns are about the point of the axis there
    found : (6,) steps by which the half was moved back already

    Notes
    -----
    Generalised least squares with the free polynomials eliminated, trace by trace, and their information
    summed.
    """
    centre = traces.centre + (middle_mm - traces.middle_mm) * traces.axis
    columns = traces.about(centre)[part] * (traces.u[part] > middle_mm)[:, None, None]
    information, pull = np.zeros((6, 6)), np.zeros(6)
    for k in range(traces.values.shape[1]):
        lower = np.linalg.cholesky(roughness.covariance(k, part))
        known = np.column_stack([roughness.free(part), columns[:, k], traces.values[part, k]])
        white = solve_triangular(lower, known, lower=True)
        free = np.linalg.qr(white[:, :FREE])[0]
        rest = white[:, FREE:] - free @ (free.T @ white[:, FREE:])
        information += rest[:, :6].T @ rest[:, :6]
        pull += rest[:, :6].T @ rest[:, 6]
    side = np.cross(traces.axis, np.eye(3)[np.argmin(np.abs(traces.axis))])
    side /= np.linalg.norm(side)
    directions = np.stack([side, np.cross(traces.axis, side), traces.axis])
    turned = np.zeros((6, 6))
    turned[[0, 1, SLIDE], :3] = directions
    turned[[2, 3, TWIST], 3:] = directions
    empty = Motion(
        np.zeros(6), np.zeros((6, 6)), np.zeros(6, dtype=bool), directions, centre, traces.radius_mm
    )
    information = turned @ information @ turned.T
    return _seen(empty, information, turned @ pull, np.zeros(6) if found is None else found)


def _seen(
    empty: Motion,
    information: NDArray[np.float64],
    pull: NDArray[np.float64],
    found: NDArray[np.float64],
) -> Motion:
    """Solve for what can be seen: slide and then twist are left out when they are hardly known."""
    usual = np.array([_USUAL_MM] * 6)
    usual[2:5] = np.radians(_USUAL_DEG) * empty.radius_mm
    before = np.diag(usual**-2.0)
    kept = np.ones(6, dtype=bool)
    for step in (SLIDE, TWIST):
        # What the step shows beside all others, which is what is left of its information.
        others = kept.copy()
        others[step] = False
        among = information[np.ix_(others, others)] + before[np.ix_(others, others)]
        across = np.linalg.solve(among, information[others, step])
        left = information[step, step] - across @ information[others, step]
        kept[step] = left * usual[step] ** 2 > 1.0
    return solved(empty, information + before, pull - before @ found, kept)


@dataclass(frozen=True)
class Measured:
    """A motion with the traces and roughness of the tube once it is undone."""

    motion: Motion
    first_surprise: float
    traces: Traces
    roughness: Roughness


def _thinner(problem: Problem) -> Problem:
    """The problem of fewer points that stand for as much: slices average over far more than they need."""
    data = problem.data
    part = spread_out(data.u, _POINTS)
    few = FitPoints(data.points[part], data.u[part], data.v[part], data.weights[part])
    return replace(problem, data=replace(few, weights=few.weights * (len(data.u) / len(part))))


def motion_between(
    problem: Problem, middle_mm: float, *, radius_mm: float, density_mm4: float
) -> Measured | None:
    """Motion of the half beyond a station against the other one; None where too little of one is seen.

    Parameters
    ----------
    problem : trusted points of both halves
    middle_mm : station between the halves
    radius_mm : mean radius of the tube
    density_mm4 : noise variance times area

    Notes
    -----
    The half is moved back by what was found and measured again until nothing is left: half a degree is too
    much for one linear step, and only a base surface through halves that fit is as plain as the tube.
    """
    problem = _thinner(problem)
    data = problem.data
    far = data.u > middle_mm
    diameter = 2.0 * radius_mm
    longest = BEND_DIAMETERS[-1] * diameter
    stiffest = Waves(longest, longest, DETAIL_DIAMETERS[-1] * diameter, 0.035 * diameter)
    found, first = np.zeros(6), None
    for _ in range(_ROUNDS):
        points = data.points.copy()
        if first is not None:
            points[far] = moved(points[far], np.asarray(np.linalg.inv(replace(first, steps=found).matrix())))
        seated = problem.with_points(points)
        base = seated.solve(stiffest)
        traces = section_traces(seated.data, base, middle_mm, radius_mm=radius_mm, density_mm4=density_mm4)
        beyond = traces.u > middle_mm
        if min(beyond.sum(), (~beyond).sum()) < _LEAST_SLICES:
            return None
        roughness = roughness_of(traces, beyond)
        step = measure_motion(traces, roughness, np.ones(len(traces.u), dtype=bool), middle_mm, found)
        first = first or step
        found = np.where(step.seen, found + step.steps, 0.0)
        if (np.abs(step.steps) <= _LEFT * np.sqrt(np.diag(step.covariance))).all():
            break
    assert first is not None
    last = replace(step, steps=found, directions=first.directions, centre=first.centre)
    return Measured(last, first.surprise, traces, roughness)
