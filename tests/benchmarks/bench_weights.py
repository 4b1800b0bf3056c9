"""How the stiffness is best chosen: by likelihood, by blanked stretches, or by a mean of several.

    python tests/benchmarks/bench_weights.py [--families all] [--gaps 20 40 80 120] [--seeds 1 2]

Each tube is fitted once. On that one problem the lists of wavelengths are searched in several ways, and each
surface is measured against the original in the rebuilt zone. Writes ``results/weights.csv``, a row for each
case and way, and ``results/weights.md``. Seconds are those of the processor.
"""

import argparse
import csv
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np

from measuring import RESULTS, markdown_table  # isort: skip

from cases import PLAIN, Case, families_of
from gaploft.errors import GeometryError
from gaploft.surface.weights import START, Places
from stiffness_judge import Floats, Judge, fitted
from stiffness_search import Score, by_stiffness, near_best, searched
from stiffness_tables import LIKELIHOOD, Row, each_case, summary

BLANK, BOUND, BOTH = "blank stretches", "the original", "mean of the two"
AVERAGED = "mean of all likely"
#: How far twice the log likelihood may fall short of the best while a stiffness still counts as likely.
DEVIANCES = (2.0, 4.0, 6.0)


def compared(asked: Case) -> list[Row]:
    """One case: a row for each way to choose."""
    case = asked.made()
    fit = fitted(case)
    judge = Judge.of(case, fit)
    about = {
        "family": asked.family,
        "gap_mm": asked.gap_mm,
        "seed": asked.seed,
        "diameters": asked.gap_mm / (2.0 * fit.radius_mm),
        "stretches": len(judge.pieces),
        "fit_chose": _named(fit.chosen.places),
    }
    return [about | row for row in _ways(judge)]


def _ways(judge: Judge) -> list[Row]:
    # Each likelihood remembers what it computed; one that remembers nothing shows what a choice costs.
    likelihood = replace(judge.fit.chosen.likelihood, known={})
    deviance, blank, truth = Score(likelihood.deviance), Score(judge.blank_miss), Score(judge.miss)
    by_likelihood, seconds = _timed(lambda: searched(deviance))
    rows = [_row(judge, LIKELIHOOD, by_likelihood, cost=(seconds, len(deviance.known)))]
    by_blank, blank_seconds = _timed(lambda: searched(blank))
    blank_cost = (blank_seconds, len(blank.known) * len(judge.pieces))
    rows.append(_row(judge, BLANK, by_blank, cost=blank_cost))
    by_truth, truth_seconds = _timed(lambda: searched(truth, (START, by_likelihood, by_blank)))
    rows.append(_row(judge, BOUND, by_truth, cost=(truth_seconds, len(truth.known))))
    mean = (judge.solution(by_likelihood) + judge.solution(by_blank)) / 2.0
    both = seconds + blank_seconds, len(deviance.known) + blank_cost[1]
    rows.append(_figures(judge, BOTH, mean, both))
    likely, more = _timed(lambda: near_best(deviance, by_likelihood, max(DEVIANCES)))
    cost = seconds + more, len(deviance.known)
    for most in DEVIANCES:
        ordered = by_stiffness(likelihood, [p for p, short in likely.items() if short <= most])
        for name, places in (("softest", ordered[0]), ("stiffest", ordered[-1])):
            rows.append(_row(judge, f"{name} within {most:g}", places, cost=cost))
    different = by_stiffness(likelihood, likely)
    rows.append(_averaged(judge, {places: likely[places] for places in different}, cost))
    return [row | {"deviance": _short(row, deviance)} for row in rows]


def _timed(search: Callable[[], Any]) -> tuple[Any, float]:
    started = time.process_time()
    found = search()
    return found, time.process_time() - started


def _row(judge: Judge, way: str, places: Places, *, cost: tuple[float, int]) -> Row:
    row = _figures(judge, way, judge.solution(places), cost)
    return row | {"places": _named(places), "posterior_mm": float(np.sqrt(judge.posterior(places)))}


def _figures(judge: Judge, way: str, solution: Floats, cost: tuple[float, int]) -> Row:
    rms, worst = judge.errors(solution)
    return {"way": way, "rms_mm": rms, "worst_mm": worst, "seconds": cost[0], "factorisations": cost[1]}


def _averaged(judge: Judge, likely: dict[Places, float], cost: tuple[float, int]) -> Row:
    """Mean of the solutions of all that is likely, each by its likelihood, with what they differ by added to
    the posterior of the best."""
    weights = np.exp(-0.5 * np.array(list(likely.values())))
    weights /= weights.sum()
    solutions = [judge.solution(places) for places in likely]
    mean = np.einsum("k,kij->ij", weights, np.array(solutions))
    between = sum(w * judge.apart(one, mean) for w, one in zip(weights, solutions, strict=True))
    posterior = judge.posterior(min(likely, key=lambda places: likely[places])) + between
    row = _figures(judge, AVERAGED, mean, cost)
    return row | {"models": len(likely), "posterior_mm": float(np.sqrt(posterior))}


def _named(places: Places) -> str:
    return "-".join(str(place) for place in places)


def _short(row: Row, deviance: Score) -> float | None:
    """How much less likely the stiffness of a row is than the best that was met, as a deviance."""
    if "places" not in row:
        return None
    a, b, c = (int(place) for place in row["places"].split("-"))
    return deviance.deviance((a, b, c)) - min(deviance.known.values())


def write(rows: Sequence[Row]) -> str:
    """Both result files; also the text of the second."""
    RESULTS.mkdir(exist_ok=True)
    names = list(dict.fromkeys(name for row in rows for name in row))
    with (RESULTS / "weights.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, names)
        table.writeheader()
        table.writerows(rows)
    text = markdown_table(summary(rows)) + "\n" + markdown_table(each_case(rows))
    (RESULTS / "weights.md").write_text(text, encoding="utf-8")
    return text


def main() -> int:
    """Fit, choose, measure, report."""
    parser = argparse.ArgumentParser(description="How the stiffness is best chosen.")
    parser.add_argument("--families", choices=("development", "kept_out", "all"), default="development")
    parser.add_argument("--kinds", nargs="+", help="these families instead")
    parser.add_argument("--gaps", type=float, nargs="+", default=[40.0, 80.0])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    options = parser.parse_args()
    rows: list[Row] = []
    families = options.kinds or families_of(options.families)
    for gap, seed, family in product(options.gaps, options.seeds, families):
        asked = Case(family, gap, 0, seed, PLAIN)
        try:
            rows += compared(asked)
        except GeometryError as error:
            print(f"{family} {gap:g} mm seed {seed}: {error}", file=sys.stderr)
            continue
        print(f"{family} {gap:g} mm seed {seed}", file=sys.stderr)
    print(write(rows))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
