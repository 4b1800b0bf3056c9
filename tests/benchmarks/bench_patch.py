"""How far patches lie from the originals, ours and those of general tools, on the same scans.

    python tests/benchmarks/bench_patch.py [--development | --kept-out | --cases NAME ...]
        [--seeds 0] [--noise 0.02] [--rim mixed] [--margins 8] [--tools none] [--jobs 2]

The cases are closed forms and junctions of a CAD kernel, damaged and scanned with noise
(``tests/junctions.py``); those kept out judge the method and are not looked at while it is made. The general
tools are given the scan without the marks and all within a margin of them; a second margin shows how much
hangs on that. Writes ``results/patch.csv`` row by row and at the end ``patch.md``; another name with
``--name``.
"""

import argparse
import csv
import itertools
import os
from typing import Any, TextIO

from measuring import RESULTS, machine  # isort: skip - puts the tests' folders on the path

from accuracy_report import versions
from junctions import CASES, DEVELOPMENT, KEPT_OUT
from patch_tools import MARGIN_MM, TOOLS
from patch_tools.report import OURS, report
from patch_tools.runner import Errand, Row, run_all

#: All that a row may hold, in this order; fixed, since rows are written as they come.
COLUMNS = (
    *("half", "case", "size_mm", "seed", "noise_mm", "rim", "tool", "margin_mm", "verdict", "covered"),
    *("rms_mm", "p95_mm", "max_mm", "normal_rms_deg", "normal_max_deg", "seam_step_mm", "seam_angle_deg"),
    *("in_band95", "band95_mean_mm", "zone_rms_mm", "zone_max_mm", "seconds", "note"),
)
_RIMS = ("clean", "crushed", "bulged", "mixed")


def parsed() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description="Patches on damaged junctions, ours and general tools'.")
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--cases", nargs="+", choices=[*CASES], metavar="NAME", help="these alone")
    which.add_argument("--development", action="store_const", const=DEVELOPMENT, dest="cases")
    which.add_argument("--kept-out", action="store_const", const=KEPT_OUT, dest="cases")
    parser.add_argument("--seeds", nargs="+", type=int, default=[0], metavar="N")
    parser.add_argument("--noise", nargs="+", type=float, default=[0.02], metavar="MM")
    parser.add_argument("--rim", nargs="+", default=["mixed"], choices=_RIMS, metavar="KIND")
    parser.add_argument("--margins", nargs="+", type=float, default=[MARGIN_MM], metavar="MM")
    parser.add_argument(
        "--tools",
        nargs="+",
        default=["all"],
        choices=["all", "none", OURS, *TOOLS],
        metavar="NAME",
        help="all, none but ours, or these",
    )
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, metavar="N")
    parser.add_argument("--timeout", type=float, default=600.0, metavar="S", help="of one child")
    parser.add_argument("--name", default="patch", help="of the result files")
    return parser.parse_args()


def tools_asked(options: argparse.Namespace) -> list[str]:
    """What is run, ours first."""
    if "none" in options.tools:
        return [OURS]
    return [OURS, *TOOLS] if "all" in options.tools else list(options.tools)


def errands(options: argparse.Namespace) -> list[Errand]:
    """One child for each case and margin; ours knows no margin and is run once."""
    tools, found = tools_asked(options), []
    for name, seed, noise, rim in itertools.product(
        options.cases or CASES, options.seeds, options.noise, options.rim
    ):
        about = {"case": name, "seed": seed, "noise_mm": noise, "rim": rim}
        for number, margin in enumerate(options.margins):
            here = [tool for tool in tools if number == 0 or tool != OURS]
            if here:
                found.append(Errand(about, here, margin))
    return found


def printed(row: Row) -> str:
    """One row on the screen."""
    said = [row["case"], f"seed {row['seed']}", row["rim"], row["tool"]]
    if "rms_mm" in row:
        said.append(f"rms {row['rms_mm']:.4f}  worst {row['max_mm']:.4f}  {row['seconds']:.1f} s")
    if "in_band95" in row:
        said.append(f"in band {row['in_band95']:.1%}  {row['verdict']}")
    return "  ".join([*said, str(row.get("note", ""))[:100]]).rstrip()


def streamed(file: TextIO, rows: list[Row], total: int) -> Any:
    """A function that keeps, writes and prints the rows of a child as it ends."""
    writer = csv.DictWriter(file, COLUMNS, extrasaction="raise")
    writer.writeheader()
    ended = itertools.count(1)

    def done(found: list[Row]) -> None:
        rows.extend(found)
        writer.writerows(found)
        file.flush()
        print(f"[{next(ended)} of {total}]", *map(printed, found), sep="\n  ", flush=True)

    return done


def main() -> int:
    """Run all cases; stopped early, the CSV holds what was done."""
    options = parsed()
    asked, rows = errands(options), []
    RESULTS.mkdir(exist_ok=True)
    with (RESULTS / f"{options.name}.csv").open("w", newline="", encoding="utf-8") as file:
        done = streamed(file, rows, len(asked))
        run_all(asked, done, jobs=options.jobs, timeout_s=options.timeout)
    order = {errand.about["case"]: number for number, errand in enumerate(asked)}
    rows.sort(key=lambda row: (order[row["case"]], row["seed"], row["noise_mm"], row["rim"]))
    titles = {name: TOOLS[name].title for name in tools_asked(options) if name != OURS}
    used = versions(sorted({TOOLS[name].package for name in titles}), None)
    text = report(rows, titles)
    text += f"\n{machine()}, {used}\n"
    (RESULTS / f"{options.name}.md").write_text(text, encoding="utf-8")
    print("\n" + text)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
