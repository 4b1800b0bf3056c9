"""Run cases in child processes, some at a time; what one library does to its process harms no other row."""

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import Any

Row = dict[str, Any]

_HERE = Path(__file__).resolve().parent.parent
#: One thread each: the cores are taken by other cases.
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")


@dataclass(frozen=True)
class Errand:
    """What one child is to do: ``about`` names the case, its seed, noise and rims."""

    about: Mapping[str, Any]
    tools: Sequence[str]
    margin_mm: float


def run_all(
    errands: Sequence[Errand], done: Callable[[list[Row]], None], *, jobs: int, timeout_s: float
) -> None:
    """Run all errands; ``done`` is told the rows of each as it ends, one call at a time."""
    with ThreadPoolExecutor(jobs) as pool:
        for future in as_completed([pool.submit(run, errand, timeout_s) for errand in errands]):
            done(future.result())


def run(errand: Errand, timeout_s: float) -> list[Row]:
    """One row for each tool; a tool that took its process down gets a row that says so."""
    rows: list[Row] = []
    left = list(errand.tools)
    while left:
        found, started, words = _child(errand, left, timeout_s)
        rows += found
        left = left[len(found) :]
        if not left:
            break
        # the case itself could not be made, or the tool named last broke the process
        failed = [started] if started in left else left
        about = {**errand.about, "margin_mm": errand.margin_mm}
        rows += [{**about, "tool": name, "note": f"failed: {words}"} for name in failed]
        left = left[len(failed) :]
    return rows


def _child(errand: Errand, tools: Sequence[str], timeout_s: float) -> tuple[list[Row], str | None, str]:
    """Rows of one child, the tool it started last, and its last words."""
    command = [sys.executable, "-m", "patch_tools.one_case", json.dumps(dict(errand.about)), *tools]
    rows: list[Row] = []
    words: list[str] = []
    started = None
    # on leaving, the pipes are closed and the child is waited for
    with subprocess.Popen(
        [*command, "--margin", str(errand.margin_mm)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=_HERE,
        env={**os.environ, **_ONE_THREAD, "PYTHONPATH": str(_HERE.parents[1] / "geometry")},
    ) as child:
        listener = threading.Thread(target=lambda: words.extend(child.stderr or ()))
        alarm = threading.Timer(timeout_s, child.kill)
        listener.start()
        alarm.start()
        for line in child.stdout or ():
            told = json.loads(line)
            started = told.get("started", started)
            if "row" in told:  # what is not a number is left out
                rows.append({key: value for key, value in told["row"].items() if value == value})
        alarm.cancel()
        listener.join()
    last = words[-1].strip() if words else "no words"
    return rows, started, f"exit code {child.returncode}, {last}"
