"""Choosing the stiffness: the one under which the scan is most likely."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from gaploft.surface.equations import Equations
from gaploft.surface.fairness import Waves
from gaploft.surface.fit import Problem
from gaploft.surface.sweep import N_MOVES

#: Cut-off wavelengths tried, in diameters.
BEND_DIAMETERS = SECTION_DIAMETERS = (0.75, 1.0, 1.4, 2.0, 2.8, 4.0, 5.7, 8.0, 12.0, 18.0, 26.0)
DETAIL_DIAMETERS = (0.35, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
#: The same for a tube that runs on beyond where it is seen, from one that bends at will to a straight one.
STRAIGHT_DIAMETERS = (0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.7)
_LISTS = (BEND_DIAMETERS, SECTION_DIAMETERS, DETAIL_DIAMETERS)
#: Waves much longer than the tube that is seen change nothing more, and rounding would.
_TUBE_LENGTHS = 1.4

Places = tuple[int, int, int]


@dataclass(frozen=True)
class Likelihood:
    """Restricted likelihood of the scan by stiffness, each computed when it is first asked for.

    Attributes
    ----------
    density_mm4 : noise variance times area
    plain_mm : cut-off around the section, which is given
    left_out : equations of the points that don't take part
    straight_mm : stiffness that is the same for all places, see :class:`gaploft.surface.fairness.Waves`

    Notes
    -----
    Twice the negative logarithm, up to what does not depend on the stiffness, of the marginal likelihood of
    a Gaussian process with the penalties as its prior, polynomials and whatever else goes free integrated
    out (restricted maximum likelihood: Wood, JRSS B 73(1), 2011). Only the part of the scan that the spline
    can carry takes part, where correlated noise is as good as white with this density.
    """

    problem: Problem
    density_mm4: float
    diameter_mm: float
    plain_mm: float
    left_out: Equations | None = None
    straight_mm: float = 0.0
    known: dict[Places, float] = field(default_factory=dict, repr=False)

    def waves(self, places: Places) -> Waves:
        """Stiffness of places in the lists of wavelengths."""
        first, last = self.problem.basis.range_u
        longest = _TUBE_LENGTHS * (last - first)
        bend, section, detail = (
            self.diameter_mm * values[place] for values, place in zip(_LISTS, places, strict=True)
        )
        straight = min(self.straight_mm, longest)
        return Waves(min(bend, longest), min(section, longest), detail, self.plain_mm, straight)

    def as_straight(self, places: Places) -> "Likelihood":
        """The one of the straightness that is likeliest in these places."""
        tried = [
            replace(self, straight_mm=share * self.diameter_mm, known={}) for share in STRAIGHT_DIAMETERS
        ]
        return min(tried, key=lambda one: one.deviance(places))

    def without(self, left_out: Equations, density_mm4: float) -> "Likelihood":
        """That of the scan without some of its points."""
        return replace(self, left_out=left_out, density_mm4=density_mm4, known={})

    def deviance(self, places: Places) -> float:
        """Twice the negative log likelihood, smaller is likelier."""
        if places not in self.known:
            waves, problem = self.waves(places), self.problem
            shown = problem.shown(self.left_out)
            factor = problem.factor(waves, self.left_out)
            solution = factor.solve(shown.rhs).reshape(problem.basis.n_u, -1)
            # At its least the sum of both hardly feels the rounding of a solution; -rhs @ solution does.
            missed = shown.misfit(solution) + problem.fairness.roughness(waves, solution)
            determinants = factor.log_determinant - problem.fairness.log_determinant(waves)
            self.known[places] = determinants + missed / self.density_mm4
        return self.known[places]

    def whole_deviance(self, places: Places) -> float:
        """The same with all that the heights and moves of the sweep come to by themselves.

        It compares fits over other sweeps, too.
        """
        problem, cells = self.problem, self.problem.cells
        moved = problem.sweep.moved_mm
        held = problem.fairness.holding(moved).rhs.reshape(len(moved), -1)[:, :N_MOVES]
        alone = float(cells.weights @ cells.heights**2) + float((held * moved).sum())
        return self.deviance(places) + alone / self.density_mm4


#: Where a search starts: soft along the tube, stiff in details.
START: Places = (4, 4, 4)


def likeliest(
    likelihood: Likelihood, start: Places = START, *, tick: Callable[[float], None] = lambda share: None
) -> Places:
    """Places of the stiffness with the largest likelihood.

    A search along one direction at a time, neighbour by neighbour, from a start.
    """
    best = start
    for _ in range(4):
        last = best
        for direction in range(len(_LISTS)):
            best = _along(likelihood, best, direction)
            tick(min(1.0, len(likelihood.known) / 30.0))
        if best == last:
            break
    return best


def _along(likelihood: Likelihood, places: Places, direction: int) -> Places:
    """The likeliest along one direction, walking downhill from where we are."""
    best = places
    for step in (1, -1):
        while True:
            moved = best[direction] + step
            if not 0 <= moved < len(_LISTS[direction]):
                break
            there = (
                moved if direction == 0 else best[0],
                moved if direction == 1 else best[1],
                moved if direction == 2 else best[2],
            )
            if likelihood.deviance(there) >= likelihood.deviance(best):
                break
            best = there
        if best != places:
            break
    return best
