"""Choosing the stiffness: the weights that rebuild blanked intact stretches best."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from gaploft.surface.blank import Blanked
from gaploft.surface.fit import Problem, Waves

#: Cut-off wavelengths tried, in diameters. Above the last one nothing changes any more.
ALONG_DIAMETERS = (0.75, 1.0, 1.4, 2.0, 2.8, 4.0, 5.7, 8.0, 12.0, 24.0)
AROUND_DIAMETERS = (0.07, 0.14, 0.28, 0.6, 1.2, 2.5)

#: Of stiffnesses whose errors differ by less than this share, the stiffest is taken: it carries least noise.
_SAME = 1.04


@dataclass(frozen=True)
class BlankScores:
    """Rebuilding errors of blanked stretches by stiffness, each computed when it is first asked for.

    Whoever asks for a choice on some of the stretches after one on all of them pays nothing twice.
    """

    problem: Problem
    pieces: Sequence[Blanked]
    diameter_mm: float
    known: dict[tuple[int, int, int], float] = field(default_factory=dict, repr=False)

    def waves(self, along: int, around: int) -> Waves:
        """Stiffness of a place in the two lists of wavelengths."""
        return Waves(ALONG_DIAMETERS[along] * self.diameter_mm, AROUND_DIAMETERS[around] * self.diameter_mm)

    def mean_square(self, along: int, around: int, chosen: Sequence[int]) -> float:
        """Mean squared rebuilding error over some of the stretches, mm^2."""
        for number in chosen:
            if (along, around, number) not in self.known:
                error = self.pieces[number].error(self.problem, self.waves(along, around))
                self.known[along, around, number] = float(np.mean(error**2))
        return float(np.mean([self.known[along, around, number] for number in chosen]))


def choose_waves(
    scores: BlankScores,
    chosen: Sequence[int] | None = None,
    *,
    tick: Callable[[float], None] = lambda share: None,
) -> Waves:
    """Stiffness with the smallest rebuilding error over blanked stretches.

    Parameters
    ----------
    scores : errors by stiffness
    chosen : numbers of the stretches that choose, all when None
    tick : told the share done

    Notes
    -----
    A search along one direction at a time: every second wavelength first, then the neighbours of the best.
    """
    pieces = range(len(scores.pieces)) if chosen is None else chosen
    before = len(scores.known)

    def score(along: int, around: int) -> float:
        value = scores.mean_square(along, around, pieces)
        tick(min(1.0, (len(scores.known) - before) / (25.0 * len(pieces))))
        return value

    along, around = len(ALONG_DIAMETERS) // 2, len(AROUND_DIAMETERS) // 2
    for _ in range(3):
        last = (along, around)
        along = _best_place(len(ALONG_DIAMETERS), partial(score, around=around))
        around = _best_place(len(AROUND_DIAMETERS), partial(score, along))
        if (along, around) == last:
            break
    return scores.waves(along, around)


def _best_place(length: int, score: Callable[[int], float]) -> int:
    """Place of the best of ``length`` values: every second first, then the neighbours of the best."""
    values = {place: score(place) for place in range(0, length, 2)}
    centre = _stiffest_of_best(values)
    for place in (centre - 1, centre + 1):
        if 0 <= place < length and place not in values:
            values[place] = score(place)
    return _stiffest_of_best(values)


def _stiffest_of_best(values: dict[int, float]) -> int:
    limit = min(values.values()) * _SAME**2
    return max(place for place, value in values.items() if value <= limit)
