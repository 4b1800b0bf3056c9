"""Searching the lists of wavelengths for whatever makes a stiffness good."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import product

import measuring  # noqa: F401  # isort: skip - puts the tests' folders on the path

from gaploft.surface.weights import _LISTS, START, Likelihood, Places, likeliest


@dataclass(frozen=True)
class Score:
    """A figure by places in the lists of wavelengths, each computed once; the smaller the better.

    It is searched by the walk that the library searches its likelihood with, so that choices differ by
    nothing but what they ask for.
    """

    figure: Callable[[Places], float]
    known: dict[Places, float] = field(default_factory=dict, repr=False)

    def deviance(self, places: Places) -> float:
        """The figure, under the name that the walk asks for."""
        if places not in self.known:
            self.known[places] = self.figure(places)
        return self.known[places]


def searched(score: Score, starts: Iterable[Places] = (START,)) -> Places:
    """The best places that the walk finds from any of the starts."""
    return min((likeliest(score, start) for start in starts), key=score.deviance)


def neighbours(places: Places) -> Iterator[Places]:
    """Places one step away within the lists."""
    for direction, step in product(range(len(places)), (-1, 1)):
        moved = places[direction] + step
        if 0 <= moved < len(_LISTS[direction]):
            yield (*places[:direction], moved, *places[direction + 1 :])


def near_best(score: Score, best: Places, most: float) -> dict[Places, float]:
    """What hangs together with the best and falls short of it by ``most`` at most, with how much it does.

    Where the walk ended beside a better place, that one is the best.
    """
    limit = score.deviance(best) + most
    found, open_ = {best}, [best]
    while open_:
        for there in neighbours(open_.pop()):
            if there not in found and score.deviance(there) <= limit:
                found.add(there)
                open_.append(there)
    least = min(score.deviance(places) for places in found)
    short = {places: score.deviance(places) - least for places in sorted(found)}
    return {places: amount for places, amount in short.items() if amount <= most}


def by_stiffness(likelihood: Likelihood, candidates: Iterable[Places]) -> list[Places]:
    """From soft to stiff, by the product of the three wavelengths.

    Places that mean the same stiffness, since no wave is longer than the tube allows, appear once.
    """
    sizes: dict[tuple[float, float, float], Places] = {}
    for places in candidates:
        waves = likelihood.waves(places)
        sizes.setdefault((waves.bend_mm, waves.section_mm, waves.detail_mm), places)
    return [sizes[size] for size in sorted(sizes, key=lambda size: (size[0] * size[1] * size[2], size))]
