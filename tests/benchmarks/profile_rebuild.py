"""Where the time of one rebuild goes: seconds of the processor by stage, and the functions that cost most.

    python tests/benchmarks/profile_rebuild.py [JOB.toml] [--edge-mm 0.2505] [--functions 15] [--runs 3]

Without a job the sample scene is made with two million triangles. Times are those of the processor, since a
busy machine changes the clock's and not these; of several runs the shortest counts, stage by stage. The
functions come from one more run under cProfile, which makes small functions look dearer than they are.
"""

import argparse
import cProfile
import json
import os
import pstats
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path
from unittest import mock

from measuring import ROOT, markdown_table, run_measured  # isort: skip

from gaploft import cli, pipeline
from gaploft.progress import STAGES
from gaploft.report import outputs
from make_scenes import SEAT_CLUSTER, write_scene

#: Prints the seconds that a bare Python, NumPy and then the rest of the library take to load.
_LOADING = """
import json, time
first = time.process_time()
import numpy
second = time.process_time()
import gaploft.job_file, gaploft.scan.read, gaploft.pipeline, gaploft.report.outputs
print(json.dumps([first, second - first, time.process_time() - second]))
"""


def loading() -> dict[str, float]:
    """Seconds to load Python, NumPy and the rest."""
    command = [sys.executable, "-c", _LOADING]
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "geometry")}
    found = json.loads(subprocess.run(command, env=environment, capture_output=True, check=True).stdout)
    return dict(zip(("python", "numpy", "library"), found, strict=True))


def one_run(job: Path, out: Path) -> dict[str, float]:
    """Seconds of the processor in each stage, other processes aside."""
    started = time.process_time()
    with ExitStack() as stack:
        for module in (pipeline, cli, outputs):
            stack.enter_context(mock.patch.object(module, "perf_counter", time.process_time))
        code = cli.main(["rebuild", str(job), "--out", str(out)])
    if code != 0:
        raise SystemExit(f"the rebuild ended with exit code {code}")
    seconds = json.loads((out / "report.json").read_text(encoding="utf-8"))["seconds"]
    return {**{stage: seconds[stage] for stage in STAGES}, "in all": time.process_time() - started}


def functions(job: Path, out: Path, n: int) -> list[dict[str, str]]:
    """The functions with the most time of their own."""
    profile = cProfile.Profile(time.process_time)
    profile.runcall(cli.main, ["rebuild", str(job), "--out", str(out)])
    entries = pstats.Stats(profile).get_stats_profile()
    dearest = sorted(entries.func_profiles.items(), key=lambda item: -item[1].tottime)[:n]
    return [
        {
            "function": name if entry.file_name == "~" else f"{Path(entry.file_name).stem}.{name}",
            "calls": entry.ncalls,
            "own s": f"{entry.tottime:.2f}",
            "with callees s": f"{entry.cumtime:.2f}",
            "share": f"{100.0 * entry.tottime / entries.total_tt:.0f} %",
        }
        for name, entry in dearest
    ]


def report(job: Path, out: Path, runs: int, n: int) -> None:
    """Print the three tables."""
    print(markdown_table([{key: f"{value:.2f}" for key, value in loading().items()}]))
    found = [one_run(job, out) for _ in range(runs)]
    best = {key: min(run[key] for run in found) for key in found[0]}
    print(markdown_table([{key: f"{value:.2f}" for key, value in best.items()}]))
    usage = run_measured([sys.executable, "-m", "gaploft", "rebuild", job, "--out", out])
    size = next(job.parent.glob("*.stl")).stat().st_size / 1024.0**2
    print(f"file to file {usage.wall_s:.1f} s by the clock, {usage.peak_mib:.0f} MiB, file {size:.0f} MiB\n")
    print(markdown_table(functions(job, out, n)))


def main() -> int:
    """Make the scan if there is none, measure, print."""
    parser = argparse.ArgumentParser(description="Where the time of one rebuild goes.")
    parser.add_argument("job", type=Path, nargs="?")
    parser.add_argument("--edge-mm", type=float, default=0.2505)
    parser.add_argument("--functions", type=int, default=15)
    parser.add_argument("--runs", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        job = options.job
        if job is None:
            write_scene(SEAT_CLUSTER, Path(folder) / "scene", edge_mm=options.edge_mm)
            job = Path(folder) / "scene" / "job.toml"
        report(job, Path(folder) / "out", options.runs, options.functions)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
