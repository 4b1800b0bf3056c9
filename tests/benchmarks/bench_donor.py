"""How far rebuilt surfaces lie from the originals when the lost shape is taken from a spare section.

    python tests/benchmarks/bench_donor.py [--families kept_out] [--kinds KIND ...] [--variants 0 1]
        [--diameters 4] [--donors same painted ...] [--seeds 1] [--jobs 2]

Each tube is broken over so many diameters, scanned with 0.02 mm of noise, and rebuilt twice: from its
flanks alone (loft) and from the scan of a spare section (``tests/donors.py``) that lies in a pose of its own.
Donors that nobody could place without a mark are refused; they are tried once more with a mark, clicked half
a millimetre off. Writes ``results/donor.csv`` row by row, ``.json`` and ``.md``.
"""

import argparse
import csv
import os
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from typing import Any

import numpy as np

from measuring import RESULTS, machine, markdown_table, write_json  # isort: skip

from cases import families_of
from donor_case import DONORS, Case, rows_of
from lofted import KINDS

COLUMNS = (
    *("half", "family", "variant", "seed", "gap_mm", "donor", "way", "verdict", "covered", "rms_mm"),
    *("p95_mm", "max_mm", "normal_rms_deg", "normal_max_deg", "in_band95", "band95_median_mm"),
    *("band95_mean_mm", "zone_rms_mm", "zone_max_mm", "placed_mm", "placed_deg", "misfit_mm"),
    *("correction_max_mm", "correction_rms_mm", "seconds", "note"),
)


def parsed() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description="Accuracy with the scan of a spare section.")
    parser.add_argument("--families", default="all", choices=["development", "kept_out", "all"])
    parser.add_argument("--kinds", nargs="+", choices=KINDS, metavar="KIND", help="these families alone")
    parser.add_argument("--variants", nargs="+", type=int, default=[0, 1], metavar="N")
    parser.add_argument("--seeds", nargs="+", type=int, default=[1], metavar="N")
    parser.add_argument("--diameters", type=float, default=4.0, help="length of the gap")
    parser.add_argument("--donors", nargs="+", default=["same", "painted"], choices=DONORS, metavar="NAME")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, metavar="N")
    parser.add_argument("--name", default="donor", help="of the result files")
    return parser.parse_args()


def cases_of(options: argparse.Namespace) -> Iterator[Case]:
    """The cases that were asked for; a run that is stopped early has all families."""
    families = options.kinds or families_of(options.families)
    for donor, variant, seed, family in product(options.donors, options.variants, options.seeds, families):
        yield Case(family, variant, seed, donor, options.diameters)


def summary(rows: list[dict[str, Any]]) -> str:
    """A table of the rows and, above it, medians for each kind of donor and each way."""
    medians = []
    for half, donor, way in dict.fromkeys((row["half"], row["donor"], row["way"]) for row in rows):
        here = [row for row in rows if (row["half"], row["donor"], row["way"]) == (half, donor, way)]
        line = {"half": half, "donor": donor, "way": way, "cases": len(here)}
        line |= {f"median {key}": _told(_median(here, key)) for key in ("rms_mm", "max_mm", "in_band95")}
        line |= {f"worst {key}": _told(_worst(here, key)) for key in _WORST}
        line |= {verdict: sum(row["verdict"] == verdict for row in here) for verdict in _VERDICTS}
        medians.append(line)
    keys = ("family", "variant", "gap_mm", "donor", "way", "verdict", "rms_mm", "max_mm", "in_band95")
    keys += ("placed_mm", "placed_deg", "correction_max_mm", "seconds")
    table = [{key: _told(row.get(key)) for key in keys} for row in rows]
    return f"{markdown_table(medians)}\n{markdown_table(table)}"


_VERDICTS = ("ready", "check", "refused")
_WORST = ("max_mm", "placed_mm", "placed_deg", "correction_max_mm")


def _median(rows: list[dict[str, Any]], key: str) -> float | None:
    values = [row[key] for row in rows if row.get(key) is not None]
    return float(np.median(values)) if values else None


def _worst(rows: list[dict[str, Any]], key: str) -> float | None:
    return max((row[key] for row in rows if row.get(key) is not None), default=None)


def _told(value: Any) -> str:
    if value is None:
        return "–"
    return f"{value:.3g}" if isinstance(value, float) else str(value)


def main() -> int:
    """Run all cases; stopped early, the CSV holds what was done."""
    options = parsed()
    cases, rows = list(cases_of(options)), []
    RESULTS.mkdir(exist_ok=True)
    with (
        (RESULTS / f"{options.name}.csv").open("w", newline="", encoding="utf-8") as file,
        ProcessPoolExecutor(options.jobs) as pool,
    ):
        writer = csv.DictWriter(file, COLUMNS, extrasaction="raise")
        writer.writeheader()
        for number, found in enumerate(pool.map(rows_of, cases), start=1):
            rows += found
            writer.writerows(found)
            file.flush()
            print(f"[{number} of {len(cases)}]", *map(_printed, found), sep="\n  ", flush=True)
    settings = {key: value for key, value in vars(options).items() if key != "jobs"}
    write_json(f"{options.name}.json", {"machine": machine(), "options": settings, "rows": rows})
    text = summary(rows)
    (RESULTS / f"{options.name}.md").write_text(text, encoding="utf-8")
    print("\n" + text)
    return 0


def _printed(row: dict[str, Any]) -> str:
    said = [str(row[key]) for key in ("family", "variant", "donor", "way", "verdict")]
    keys = ("rms_mm", "max_mm", "in_band95", "placed_mm", "placed_deg", "correction_max_mm", "seconds")
    said += [f"{key} {_told(row[key])}" for key in keys if row.get(key) is not None]
    return "  ".join([*said, str(row.get("note", ""))[:100]])


if __name__ == "__main__":
    raise SystemExit(main())
