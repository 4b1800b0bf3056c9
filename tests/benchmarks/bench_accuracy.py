"""How far rebuilt surfaces lie from the originals, ours and those of general tools, on the same scans.

    python tests/benchmarks/bench_accuracy.py [--quick] [--families kept_out] [--tools none]
        [--blender-python PYTHON] [--jobs 2]

The tubes are lofted by a CAD kernel, broken and scanned with noise (``tests/lofted.py``); half of the
families judge the method and are not looked at while it is made. Writes ``results/accuracy.csv`` row by
row, and at the end ``.md``, ``.json``, the short ``_readme.md`` and pictures; another name with ``--name``.
Memory is measured by ``bench_speed.py``, where each program has a process to itself.
"""

import argparse
import csv
import os
import subprocess
from collections.abc import Mapping
from typing import Any, TextIO

from measuring import RESULTS, machine, write_json  # isort: skip

from accuracy_figures import OURS
from accuracy_plots import draw_all
from accuracy_report import full_report, readme_table, versions
from adversities import ADVERSITIES
from case_runner import Plan, Row, run_all
from cases import GAPS_MM, VARIANTS, case_list
from general_tools import tools_with
from lofted import KINDS

#: All that a row may hold, in this order; fixed, since rows are written as they come.
COLUMNS = (
    *("half", "family", "gap_mm", "variant", "seed", "adversity", "tube_diameter_mm", "tool", "verdict"),
    *("covered", "rms_mm", "p95_mm", "max_mm", "normal_rms_deg", "normal_max_deg", "seam_step_mm"),
    *("seam_angle_deg", "in_band95", "band95_mean_mm", "band95_median_mm", "zone_rms_mm", "zone_max_mm"),
    *("blank_rms_mm", "bound_rms_mm", "diameter_mm", "seconds", "note"),
)


def parsed() -> argparse.Namespace:
    """The command line."""
    names = [*tools_with("python")]
    parser = argparse.ArgumentParser(description="Accuracy against CAD tubes, ours and general tools.")
    parser.add_argument("--families", default="all", choices=["development", "kept_out", "all"])
    parser.add_argument("--kinds", nargs="+", choices=KINDS, metavar="KIND", help="these families alone")
    parser.add_argument("--gaps", nargs="+", type=float, default=list(GAPS_MM), metavar="MM")
    parser.add_argument("--variants", nargs="+", type=int, default=list(VARIANTS), metavar="N")
    parser.add_argument("--seeds", nargs="+", type=int, default=[1], metavar="N")
    parser.add_argument(
        "--adversities",
        nargs="+",
        default=["mixed"],
        choices=["mixed", "all", *ADVERSITIES],
        metavar="NAME",
        help="names, all (on every family and gap), or mixed: plain on all, each other on some in turns",
    )
    parser.add_argument(
        "--tools", nargs="+", default=["all"], choices=["all", "none", *names], metavar="NAME"
    )
    parser.add_argument("--quick", action="store_true", help="a dozen cases, some minutes on two cores")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, metavar="N")
    parser.add_argument("--timeout", type=float, default=1200.0, metavar="S", help="of one case")
    parser.add_argument("--blender-python", metavar="PYTHON", help="a Python that has bpy, for its bridging")
    parser.add_argument("--name", default="accuracy", help="of the result files")
    return parser.parse_args()


def tools_asked(options: argparse.Namespace) -> dict[str, str]:
    """Name -> title of what is run; ours always is."""
    there = {name: tool.title for name, tool in tools_with(options.blender_python).items()}
    if "none" in options.tools:
        there = {}
    elif "all" not in options.tools:
        there = {name: there[name] for name in options.tools}
    return {OURS: "Gaploft", **there}


def blender_version(python: str | None) -> str | None:
    """Version of bpy in another Python."""
    if python is None:
        return None
    asked = [python, "-c", "import importlib.metadata as m; print(m.version('bpy'))"]
    return subprocess.run(asked, capture_output=True, text=True, check=True).stdout.strip()


def printed(row: Row) -> str:
    """One row on the screen."""
    said = [str(row[key]) for key in ("family", "gap_mm", "variant", "adversity", "tool")]
    if "rms_mm" in row:
        said.append(f"rms {row['rms_mm']:.4f}  worst {row['max_mm']:.4f}")
    if "in_band95" in row:
        said.append(f"in band {row['in_band95']:.1%}  {row['verdict']}")
    return "  ".join([*said, str(row.get("note", ""))[:100]]).rstrip()


def write_results(rows: list[Row], titles: Mapping[str, str], options: argparse.Namespace) -> None:
    """Markdown, JSON and pictures."""
    tools = tools_with(options.blender_python)
    packages = [tools[name].package for name in titles if name in tools and name != "blender"]
    blender = blender_version(options.blender_python if "blender" in titles else None)
    used = versions(packages, blender)
    settings = {key: value for key, value in vars(options).items() if key != "blender_python"}
    content: dict[str, Any] = {"machine": machine(), "versions": used, "options": settings, "rows": rows}
    write_json(f"{options.name}.json", content)
    text = full_report(rows, titles, used)
    (RESULTS / f"{options.name}.md").write_text(text, encoding="utf-8")
    (RESULTS / f"{options.name}_readme.md").write_text(readme_table(rows, used), encoding="utf-8")
    draw_all(rows, titles, RESULTS, options.name)
    print("\n" + text)


def streamed(file: TextIO, rows: list[Row], total: int, n_tools: int) -> Any:
    """A function that keeps, writes and prints the rows of a case as it ends."""
    writer = csv.DictWriter(file, COLUMNS, extrasaction="raise")
    writer.writeheader()

    def done(found: list[Row]) -> None:
        rows.extend(found)
        writer.writerows(found)
        file.flush()
        print(f"[{len(rows) // n_tools} of {total}]", *map(printed, found), sep="\n  ", flush=True)

    return done


def main() -> int:
    """Run all cases; stopped early, the CSV holds what was done."""
    options = parsed()
    titles, cases = tools_asked(options), case_list(options)
    plan = Plan(list(titles), options.blender_python, options.jobs, options.timeout)
    rows: list[Row] = []
    RESULTS.mkdir(exist_ok=True)
    with (RESULTS / f"{options.name}.csv").open("w", newline="", encoding="utf-8") as file:
        run_all(cases, plan, streamed(file, rows, len(cases), len(titles)))
    write_results(rows, titles, options)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
