"""Which broken tubes the accuracy benchmark runs over."""

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from itertools import product

import measuring  # noqa: F401  # isort: skip - puts the tests' folders on the path

from adversities import ADVERSITIES
from lofted import DEVELOPMENT, KEPT_OUT, BrokenTube, broken_tube

GAPS_MM = (20.0, 40.0, 80.0, 120.0)
VARIANTS = (0, 1)
#: So many families of each half meet each adversity, in turns, at these gaps (mm).
_FAMILIES_EACH, _ADVERSE_GAPS_MM = 2, (40.0, 80.0)
PLAIN = "plain"


@dataclass(frozen=True)
class Case:
    """One broken tube: what ``lofted.broken_tube`` is called with."""

    family: str
    gap_mm: float
    variant: int
    seed: int
    adversity: str

    @property
    def half(self) -> str:
        """Whether the family was looked at while the method was made."""
        return "development" if self.family in DEVELOPMENT else "kept out"

    def row(self) -> dict[str, object]:
        """The case as columns of a table."""
        return {"half": self.half, **asdict(self)}

    def made(self) -> BrokenTube:
        """Loft, break and scan it."""
        faults = ADVERSITIES[self.adversity]
        return broken_tube(self.family, self.gap_mm, self.seed, variant=self.variant, **faults)


def families_of(half: str) -> tuple[str, ...]:
    """The families of ``development``, ``kept_out`` or ``all``."""
    return {"development": DEVELOPMENT, "kept_out": KEPT_OUT, "all": DEVELOPMENT + KEPT_OUT}[half]


def case_list(options: argparse.Namespace) -> list[Case]:
    """The cases that were asked for, each once."""
    families = options.kinds or families_of(options.families)
    if options.quick:
        return list(_quick(families, options.seeds[0]))
    asked = options.adversities
    if asked == ["mixed"]:
        cases = [*_product(families, options.gaps, options, [PLAIN]), *_in_turns(families, options)]
    else:
        cases = [*_product(families, options.gaps, options, list(ADVERSITIES) if asked == ["all"] else asked)]
    return list(dict.fromkeys(cases))


def _product(
    families: Sequence[str], gaps: Sequence[float], options: argparse.Namespace, adversities: Sequence[str]
) -> Iterator[Case]:
    # the gap runs slowest, so that a run that is stopped early has all families
    for gap, adversity, variant, seed, family in product(
        gaps, adversities, options.variants, options.seeds, families
    ):
        yield Case(family, gap, variant, seed, adversity)


def _in_turns(families: Sequence[str], options: argparse.Namespace) -> Iterator[Case]:
    """Each adversity on some families of each half, so that all families meet some of them."""
    halves = [[name for name in half if name in families] for half in (DEVELOPMENT, KEPT_OUT)]
    for i, adversity in enumerate(name for name in ADVERSITIES if name != PLAIN):
        for half in filter(None, halves):
            for j in range(min(_FAMILIES_EACH, len(half))):
                family = half[(i + j * len(half) // _FAMILIES_EACH) % len(half)]
                variant = options.variants[i % len(options.variants)]
                yield Case(family, _ADVERSE_GAPS_MM[j % 2], variant, options.seeds[0], adversity)


def _quick(families: Sequence[str], seed: int) -> Iterator[Case]:
    """Some minutes' worth: four plain cases and two adverse ones of each half."""
    for half in (DEVELOPMENT, KEPT_OUT):
        here = [name for name in half if name in families]
        for i, gap in enumerate(GAPS_MM if here else ()):
            yield Case(here[i % len(here)], gap, 0, seed, PLAIN)
        for i, adversity in enumerate(("together", "strip_60") if here else ()):
            yield Case(here[-1 - i % len(here)], 40.0, 0, seed, adversity)
