"""What thinning a dense scan costs: the rebuilt surface from all its points beside that from fewer.

    python tests/benchmarks/bench_thinning.py [--edge-mm 0.3]

The sample scene, scanned finely, with correlated noise and with noise that is independent from vertex to
vertex. The limits on the number of points are lifted or lowered in turn; the surfaces are compared at one
grid over the rebuilt zone, with each other and with the original. Writes ``results/thinning.md``.
"""

import argparse
import sys
import tempfile
import time
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from measuring import RESULTS, markdown_table  # isort: skip

import gaploft.evidence.straight as straight
import gaploft.tube.near as near
from gaploft.evidence.trusted_fit import fit_tube
from gaploft.job import Damage
from gaploft.scan.read import read_scan
from gaploft.tube.isolate import isolate_tube
from make_scenes import SEAT_CLUSTER, write_scene
from truth import truth_distance

#: Most points kept around the damage, and most that are fitted; the first pair is all there are.
LIMITS = ((10**9, 10**9), (10**9, 50_000), (200_000, 50_000), (100_000, 25_000), (50_000, 12_500))


def surfaces(scene: Path) -> list[dict[str, Any]]:
    """Fit the tube of a scene once for each pair of limits."""
    job = tomllib.loads((scene / "job.toml").read_text(encoding="utf-8"))
    damage = Damage(*(np.array(job["damage"][key]) for key in ("from", "to")))
    scan = read_scan(scene / "scan.stl", job["scan"]["unit"])
    kept = near._MOST_NEARBY, straight._MOST_POINTS
    found = []
    try:
        for near._MOST_NEARBY, straight._MOST_POINTS in LIMITS:
            started = time.process_time()
            tube = isolate_tube(scan, damage)
            n_fitted = len(straight.thinned(tube).u)
            fit = fit_tube(tube)
            seconds = time.process_time() - started
            found.append({"points": n_fitted, "seconds": seconds, "fit": fit, "near": near._MOST_NEARBY})
    finally:
        near._MOST_NEARBY, straight._MOST_POINTS = kept
    return found


def rows(scene: Path, noise: str) -> list[dict[str, str]]:
    """The table of one scene: the surfaces beside the first and beside the original."""
    found = surfaces(scene)
    reference = found[0]["fit"]
    u = np.linspace(*reference.rebuilt_mm, 80)
    grid = [axis.ravel() for axis in np.meshgrid(u, np.linspace(0.0, 2.0 * np.pi, 120), indexing="ij")]
    points = reference.surface.evaluate(*grid)
    table = []
    for row in found:
        surface = row["fit"].surface
        feet = surface.project(points, *grid)
        apart = feet.distance_mm
        own = points - apart[:, None] * surface.normals(feet.u, feet.v)
        error = truth_distance(scene, own)
        table.append(
            {
                "noise": noise,
                "kept near": "all" if row["near"] >= 10**9 else f"{row['near']:,}",
                "fitted": f"{row['points']:,}",
                "apart rms mm": f"{np.sqrt(np.mean(apart**2)):.5f}",
                "apart worst mm": f"{np.abs(apart).max():.5f}",
                "error rms mm": f"{np.sqrt(np.mean(error**2)):.5f}",
                "error worst mm": f"{np.abs(error).max():.5f}",
                "CPU s": f"{row['seconds']:.1f}",
            }
        )
    return table


def main() -> int:
    """Make the scans, fit, report."""
    parser = argparse.ArgumentParser(description="What thinning a dense scan costs.")
    parser.add_argument("--edge-mm", type=float, default=0.3)
    options = parser.parse_args()
    table: list[dict[str, str]] = []
    for white_share, noise in ((0.0, "correlated over 2 mm"), (1.0, "independent")):
        faults = replace(SEAT_CLUSTER.faults, white_share=white_share)
        with tempfile.TemporaryDirectory() as folder:
            made = write_scene(replace(SEAT_CLUSTER, faults=faults), Path(folder), edge_mm=options.edge_mm)
            print(f"scan of {made['faces']} triangles made", file=sys.stderr)
            table += rows(Path(folder), f"{made['noise_mm']} mm, {noise}")
    RESULTS.mkdir(exist_ok=True)
    text = markdown_table(table)
    (RESULTS / "thinning.md").write_text(text, encoding="utf-8")
    print(text)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
