"""How far rebuilt surfaces lie from the originals, over all kinds of tubes and gaps.

    python tests/benchmarks/bench_accuracy.py [--kinds round stay] [--gaps 20 40 80 120] [--rim mixed]

The tubes are lofted by a CAD kernel (``tests/lofted.py``), scanned with noise, rebuilt, and every
target vertex in the rebuilt zone is measured against the CAD surface. Writes ``results/accuracy.csv``
and ``results/accuracy.md``, or another name with ``--name``.
"""

import argparse
import csv
import time
from typing import Any

import numpy as np

from measuring import RESULTS, machine, markdown_table, write_json  # isort: skip

from gaploft.errors import GeometryError
from gaploft.job import Damage, Job
from gaploft.pipeline import rebuild
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from lofted import KINDS, BrokenTube, broken_tube


def rebuilt(case: BrokenTube) -> tuple[Any, float]:
    """Rebuild one case from arrays; also the seconds that took."""
    source = ScanSource("benchmark", "", "mm", len(case.vertices), len(case.faces))
    started = time.perf_counter()
    scan = scan_from_arrays(case.vertices, case.faces, mm_per_unit=1.0, source=source)
    outcome = rebuild(scan, Job(Damage(case.from_mm, case.to_mm)))
    return outcome, time.perf_counter() - started


def measured(case: BrokenTube, outcome: Any) -> dict[str, Any]:
    """Errors of the rebuilt zone against the CAD surface, lengths in mm."""
    target, evidence = outcome.target, outcome.evidence
    zone = target.zone == 1
    points, normals = target.vertices_mm[zone], target.normals[zone]
    error = case.truth_error(points)
    truth = case.truth_normals(points)
    # from sine and cosine: near zero the cosine alone loses its digits
    sine, cosine = np.linalg.norm(np.cross(normals, truth), axis=1), np.sum(normals * truth, axis=1)
    tilt = np.rad2deg(np.arctan2(sine, cosine))
    return {
        "rms_mm": float(np.sqrt(np.mean(error**2))),
        "max_mm": float(np.abs(error).max()),
        "normal_rms_deg": float(np.sqrt(np.mean(tilt**2))),
        "normal_max_deg": float(tilt.max()),
        "inside_band95": float(np.mean(np.abs(error) <= target.band95_mm[zone])),
        "band95_median_mm": float(np.median(target.band95_mm[zone])),
        "band95_mean_mm": float(np.mean(target.band95_mm[zone])),
        "blank_rms_mm": evidence.blank_test.rms_mm,
        "seam_step_mm": evidence.seam.step_mm,
        "seam_angle_deg": evidence.seam.angle_deg,
        "chord_error_mm": target.chord_error_mm,
    }


def run_case(kind: str, gap_mm: float, seed: int, faults: dict[str, Any]) -> dict[str, Any]:
    """One row: what was asked, what came out; a refusal is a row too."""
    case = broken_tube(kind, gap_mm, seed, **faults)
    row: dict[str, Any] = {"kind": kind, "gap_mm": gap_mm, "seed": seed}
    try:
        outcome, seconds = rebuilt(case)
    except GeometryError as error:
        return row | {"verdict": type(error).__name__, "note": str(error)}
    row |= {"verdict": outcome.verdict, "seconds": seconds}
    if outcome.target is None:
        return row | {"note": outcome.warnings[-1].text if outcome.warnings else ""}
    return row | measured(case, outcome) | {"note": "; ".join(note.code for note in outcome.warnings)}


#: Column -> how it is printed in the Markdown table.
_SHOWN = {
    "kind": "{}",
    "gap_mm": "{:.0f}",
    "verdict": "{}",
    "rms_mm": "{:.4f}",
    "max_mm": "{:.4f}",
    "normal_rms_deg": "{:.3f}",
    "normal_max_deg": "{:.3f}",
    "seam_step_mm": "{:.4f}",
    "inside_band95": "{:.3f}",
    "band95_median_mm": "{:.4f}",
    "seconds": "{:.1f}",
    "note": "{}",
}


def shown(row: dict[str, Any]) -> dict[str, str]:
    """One row as text."""
    return {name: form.format(row[name]) if name in row else "–" for name, form in _SHOWN.items()}


def summary(rows: list[dict[str, Any]], gaps: list[float]) -> list[dict[str, str]]:
    """Per gap: how many gave a target, and median and worst over the kinds."""
    table = []
    for gap in gaps:
        here = [row for row in rows if row["gap_mm"] == gap]
        done = [row for row in here if "rms_mm" in row]
        line = {"gap_mm": f"{gap:.0f}", "targets": f"{len(done)} of {len(here)}"}
        for name in ("rms_mm", "max_mm", "inside_band95", "band95_median_mm", "seconds"):
            values = [row[name] for row in done] or [np.nan]
            worst = min(values) if name == "inside_band95" else max(values)
            line[name + " (median / worst)"] = f"{np.median(values):.4f} / {worst:.4f}"
        table.append(line)
    return table


def write_results(rows: list[dict[str, Any]], options: argparse.Namespace) -> None:
    """CSV with everything, Markdown with what people look at, JSON with the settings."""
    write_json(f"{options.name}.json", {"machine": machine(), "options": vars(options), "rows": rows})
    columns = list(dict.fromkeys(name for row in rows for name in row))
    with (RESULTS / f"{options.name}.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(rows)
    text = markdown_table(summary(rows, options.gaps)) + "\n" + markdown_table([shown(row) for row in rows])
    (RESULTS / f"{options.name}.md").write_text(text, encoding="utf-8")
    print("\n" + text)


def main() -> int:
    """Run all cases; one that gave no target is a row too."""
    parser = argparse.ArgumentParser(description="Accuracy against CAD tubes.")
    parser.add_argument("--kinds", nargs="+", default=sorted(KINDS), choices=sorted(KINDS), metavar="KIND")
    parser.add_argument("--gaps", nargs="+", type=float, default=[20.0, 40.0, 80.0, 120.0], metavar="MM")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--noise", type=float, default=0.02, metavar="MM")
    parser.add_argument("--edge", type=float, default=0.6, metavar="MM")
    parser.add_argument("--rim", default="clean", choices=["clean", "crushed", "bulged", "mixed"])
    parser.add_argument("--holes", type=int, default=0)
    parser.add_argument("--clumps", type=int, default=0)
    parser.add_argument("--bosses", type=int, default=0)
    parser.add_argument("--name", default="accuracy", help="of the result files")
    options = parser.parse_args()
    faults = {
        "noise_mm": options.noise,
        "edge_mm": options.edge,
        "rim": options.rim,
        "holes": options.holes,
        "clumps": options.clumps,
        "bosses": options.bosses,
    }
    rows = []
    for gap in options.gaps:
        for kind in options.kinds:
            rows.append(run_case(kind, gap, options.seed, faults))
            print("  ".join(f"{name} {text}" for name, text in shown(rows[-1]).items()), flush=True)
    write_results(rows, options)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
