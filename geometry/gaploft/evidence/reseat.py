"""Fitting a tube as scanned, or with one half put back to where the other one asks for it."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.halves import HalvesTest, halves_test, summary
from gaploft.evidence.model import Halves, Seating
from gaploft.evidence.motion import Motion, moved
from gaploft.evidence.trusted_fit import TubeFit, fit_tube
from gaploft.job import HalvesSettings
from gaploft.surface.shape import Shape
from gaploft.tube.model import TubePoints

#: Most times that the half is put back and the tube fitted anew, and the squared motion, in standard
#: uncertainties, that is too little to do it once more.
_ROUNDS, _NOTHING_LEFT = 5, 0.1


@dataclass(frozen=True)
class HalvesFit:
    """A fit, in the frame of the half that stays, and how the halves lie to each other on the scan.

    ``seated`` is what is known of the motion that one half was re-seated by; None when none was.
    """

    fit: TubeFit
    halves: Halves
    seated: Motion | None = None


def fit_halves(
    tube: TubePoints,
    settings: HalvesSettings,
    *,
    shape: Shape | None = None,
    tick: Callable[[float], None] = lambda share: None,
) -> HalvesFit:
    """Fit a tube and say how its halves lie to each other, re-seating one of them when that is asked for.

    ``shape`` is an intact tube that this one is close to, as for
    :func:`~gaploft.evidence.trusted_fit.fit_tube`.

    The tube is left as scanned when its halves have not moved, or could not have: damage on one side leaves
    it in one piece.

    Raises
    ------
    EvidenceError
        As :func:`~gaploft.evidence.trusted_fit.fit_tube`.
    """
    share = 1.0 if settings.mode == "hold" else 0.4
    fit = fit_tube(tube, shape=shape, tick=lambda done: tick(share * done))
    if fit.outline.n_rims != 2:
        return HalvesFit(fit, Halves(mode=settings.mode))
    test = halves_test(fit)
    if test is None:
        return HalvesFit(fit, Halves(mode=settings.mode))
    if settings.mode == "hold" or not test.significant:
        return HalvesFit(fit, replace(summary(test), mode=settings.mode))
    return _reseated(tube, shape, test, settings.move, lambda done: tick(share + (1.0 - share) * done))


def _reseated(
    tube: TubePoints,
    shape: Shape | None,
    test: HalvesTest,
    move: Literal["from", "to"],
    tick: Callable[[float], None],
) -> HalvesFit:
    """Put one half back until nothing is left; rims that fit are trusted closer to the break, so that each
    round knows the motion better."""
    home = np.eye(4)
    left = test
    for attempt in range(_ROUNDS):
        step = left.motion.matrix()
        home = (np.linalg.inv(step) if move == "to" else step) @ home

        def told(done: float, start: float = attempt / _ROUNDS) -> None:
            tick(start + done / _ROUNDS)

        fit = fit_tube(reseated_tube(tube, home, move), shape=shape, tick=told)
        again = halves_test(fit)
        if again is None:
            break
        left = again
        if left.motion.surprise < _NOTHING_LEFT:
            break
    tick(1.0)
    last = summary(left)
    after = Seating(last.offset_mm, last.offset_u_mm, last.angle_deg, last.angle_u_deg, last.significant)
    # The 'to' half as scanned, seen from the 'from' half as scanned; a twist or slide that was too small to
    # be undone is still told.
    lies = np.asarray(np.linalg.inv(home) if move == "to" else home)
    rest = left.free.matrix()
    told_free = lies @ rest if move == "to" else rest @ lies
    centre = test.motion.centre
    total = HalvesTest(left.motion.at(lies, centre), left.free.at(told_free, centre), True)
    rows = tuple(tuple(float(value) for value in row) for row in home)
    halves = replace(summary(total), mode="reseat", moved=move, matrix=rows, after=after)
    return HalvesFit(fit, halves, left.motion)


def reseated_tube(tube: TubePoints, home: NDArray[np.float64], move: Literal["from", "to"]) -> TubePoints:
    """A tube with one half carried by a rigid motion (4, 4), mm; parted at the middle of the damage.

    Stations and spine stay: they are where fits start from, and no fit holds on to them.
    """
    middle = sum(tube.gap_mm) / 2.0
    half = tube.u > middle if move == "to" else tube.u <= middle
    points, normals = tube.points_mm.copy(), tube.normals.copy()
    points[half] = moved(points[half], home)
    normals[half] = normals[half] @ home[:3, :3].T
    return replace(tube, points_mm=points, normals=normals)
