"""Time and memory from a scan file of two million triangles to the finished target.

    python tests/benchmarks/bench_speed.py [--open3d-python PYTHON] [--edge-mm 0.25] [--runs 1]

Our command line beside Open3D's screened Poisson reconstruction (depth 9) of the same points, each in
a process of its own in the same run. Writes ``results/speed.json`` and ``results/speed.md``. The two do
not do the same work: ours rebuilds one tube, measures how far to trust it and writes a report; theirs
wraps all points. What both give across the gap is measured against the original surface as well.
On Debian Open3D wants the package libusb-1.0-0.
"""

import argparse
import json
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from measuring import RESULTS, Usage, machine, markdown_table, run_measured, write_json  # isort: skip

from make_scenes import SEAT_CLUSTER, write_scene
from truth import truth_distance

#: Farther than this from the original surface a vertex is no attempt at it (mm).
_NO_ATTEMPT_MM = 8.0


def gap_error(scene: Path, points: np.ndarray) -> dict[str, Any]:
    """How the vertices between the two ends of the damage lie to the original surface."""
    damage = tomllib.loads((scene / "job.toml").read_text(encoding="utf-8"))["damage"]
    ends = [np.array(damage[key]) for key in ("from", "to")]
    axis = ends[1] - ends[0]
    share = (points - ends[0]) @ axis / (axis @ axis)
    off_axis = np.linalg.norm(points - ends[0] - share[:, None] * axis, axis=1)
    error = truth_distance(scene, points[(share > 0.0) & (share < 1.0) & (off_axis < 30.0)])
    tried = error[np.abs(error) < _NO_ATTEMPT_MM]
    if len(tried) == 0:
        return {"gap_points": 0, "gap_rms_mm": None, "gap_max_mm": None}
    return {
        "gap_points": len(tried),
        "gap_rms_mm": float(np.sqrt(np.mean(tried**2))),
        "gap_max_mm": float(np.abs(tried).max()),
    }


def outcome(scene: Path, usage: Usage, surface: Path) -> dict[str, Any]:
    """One run as a row of the results."""
    row: dict[str, Any] = {"code": usage.code, "wall_s": usage.wall_s, "peak_mib": usage.peak_mib}
    if surface.exists():
        row |= gap_error(scene, trimesh.load_mesh(surface).vertices)
    return row


def ours(scene: Path, out: Path) -> dict[str, Any]:
    """Run the command line on the scene's job."""
    usage = run_measured([sys.executable, "-m", "gaploft", "rebuild", scene / "job.toml", "--out", out])
    if usage.code != 0:
        print(usage.output, file=sys.stderr)
    row = outcome(scene, usage, out / "target.stl")
    if (out / "report.json").exists():
        report = json.loads((out / "report.json").read_text(encoding="utf-8"))
        row |= {"seconds": report["seconds"], "verdict": report["verdict"]}
    return row


def poisson(scene: Path, out: Path, python: str, depth: int) -> dict[str, Any]:
    """Run Open3D's screened Poisson reconstruction."""
    child = Path(__file__).with_name("poisson_child.py")
    surface = out / "poisson.stl"
    usage = run_measured([python, child, scene / "scan.stl", surface, str(depth)])
    if usage.code != 0:
        raise SystemExit(f"the Open3D run failed:\n{usage.output}")
    return outcome(scene, usage, surface) | {"seconds": json.loads(usage.output.splitlines()[-1])}


def report(runs: list[dict[str, Any]], made: dict[str, Any], depth: int) -> None:
    """Print the table and write both files; of several runs the fastest counts."""
    best = {name: min((run[name] for run in runs), key=lambda row: row["wall_s"]) for name in runs[0]}
    titles = {"gaploft": "gaploft rebuild", "poisson": f"Open3D screened Poisson, depth {depth}"}
    rows = [
        {
            "run": titles[name],
            "wall s": f"{row['wall_s']:.1f}",
            "peak MiB": f"{row['peak_mib']:.0f}",
            "rms in gap mm": "–" if row.get("gap_rms_mm") is None else f"{row['gap_rms_mm']:.4f}",
            "worst in gap mm": "–" if row.get("gap_max_mm") is None else f"{row['gap_max_mm']:.4f}",
        }
        for name, row in best.items()
    ]
    wall = best["gaploft"]["wall_s"] / best["poisson"]["wall_s"]
    alone = best["gaploft"]["wall_s"] / best["poisson"]["seconds"]["poisson_s"]
    memory = best["gaploft"]["peak_mib"] / best["poisson"]["peak_mib"]
    by_file = best["gaploft"]["peak_mib"] / made["file_mib"]
    text = markdown_table(rows) + (
        f"\n{made['faces']} triangles. From file to file ours takes {wall:.2f} of the time and {memory:.2f} "
        f"of the memory; {alone:.2f} of the time of the reconstruction alone, without reading and normals. "
        f"Our peak is {by_file:.1f} times the file's {made['file_mib']:.0f} MiB.\n"
    )
    write_json(
        "speed.json",
        {
            "machine": machine(),
            "scan": made,
            "runs": runs,
            "time_ratio": wall,
            "time_ratio_to_reconstruction_alone": alone,
            "memory_ratio": memory,
            "memory_by_file_size": by_file,
        },
    )
    (RESULTS / "speed.md").write_text(text, encoding="utf-8")
    print(text)


def main() -> int:
    """Make the scan, run both, report; exit code 1 when our run did not end well."""
    parser = argparse.ArgumentParser(description="Speed and memory beside Open3D's screened Poisson.")
    parser.add_argument("--open3d-python", default=sys.executable, help="a Python that has Open3D")
    parser.add_argument("--edge-mm", type=float, default=0.2505, help="0.2505 gives two million triangles")
    parser.add_argument("--depth", type=int, default=9)
    parser.add_argument("--runs", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        scene = Path(folder) / "scene"
        made = write_scene(SEAT_CLUSTER, scene, edge_mm=options.edge_mm)
        made["file_mib"] = (scene / "scan.stl").stat().st_size / 1024.0**2
        print(f"scan of {made['faces']} triangles made", file=sys.stderr)
        runs = [
            {
                "gaploft": ours(scene, Path(folder) / "out"),
                "poisson": poisson(scene, Path(folder), options.open3d_python, options.depth),
            }
            for _ in range(options.runs)
        ]
    report(runs, made, options.depth)
    return 0 if all(run["gaploft"]["code"] == 0 for run in runs) else 1


if __name__ == "__main__":
    raise SystemExit(main())
