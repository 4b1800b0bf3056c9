"""Choosing the stiffness: the weights that rebuild blanked intact stretches best."""

from collections.abc import Callable, Sequence

from gaploft.surface.blank import Blanked, mean_square
from gaploft.surface.fit import Problem, Waves

#: Cut-off wavelengths tried, in diameters. Above the last one nothing changes any more.
ALONG_DIAMETERS = (0.75, 1.0, 1.4, 2.0, 2.8, 4.0, 5.7, 8.0, 12.0, 24.0, 48.0)
AROUND_DIAMETERS = (0.07, 0.14, 0.28, 0.6, 1.2, 2.5)

#: Of stiffnesses whose errors differ by less than this share, the stiffest is taken: it carries least noise.
_SAME = 1.04


def choose_waves(
    problem: Problem,
    stretches: Sequence[Blanked],
    diameter_mm: float,
    *,
    tick: Callable[[float], None] = lambda share: None,
) -> Waves:
    """Stiffness with the smallest rebuilding error over blanked stretches.

    A search along one direction at a time, each value solved once.
    """
    known: dict[tuple[int, int], float] = {}
    expected = len(ALONG_DIAMETERS) + 2 * len(AROUND_DIAMETERS) + 6

    def score(i: int, j: int) -> float:
        if (i, j) not in known:
            waves = Waves(ALONG_DIAMETERS[i] * diameter_mm, AROUND_DIAMETERS[j] * diameter_mm)
            known[i, j] = mean_square(problem, waves, stretches)
            tick(min(1.0, len(known) / expected))
        return known[i, j]

    along, around = len(ALONG_DIAMETERS) // 2, 2
    for _ in range(3):
        before = (along, around)
        along = _stiffest_of_best([score(i, around) for i in range(len(ALONG_DIAMETERS))])
        around = _stiffest_of_best([score(along, j) for j in range(len(AROUND_DIAMETERS))])
        if (along, around) == before:
            break
    return Waves(ALONG_DIAMETERS[along] * diameter_mm, AROUND_DIAMETERS[around] * diameter_mm)


def _stiffest_of_best(scores: Sequence[float]) -> int:
    limit = min(scores) * _SAME**2
    return max(i for i, value in enumerate(scores) if value <= limit)
