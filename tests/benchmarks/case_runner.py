"""Run cases in child processes, some at a time; what one library does to its process harms no other row."""

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from cases import Case
from measuring import ROOT

Row = dict[str, Any]

_CHILD = Path(__file__).with_name("one_case.py")
#: One thread each: the cores are taken by other cases.
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")


@dataclass(frozen=True)
class Plan:
    """What is run on every case, and how."""

    tools: Sequence[str]
    blender_python: str | None
    jobs: int
    timeout_s: float


def run_all(cases: Sequence[Case], plan: Plan, done: Callable[[list[Row]], None]) -> None:
    """Run all cases; ``done`` is told the rows of each as it ends, one call at a time."""
    with ThreadPoolExecutor(plan.jobs) as pool:
        for future in as_completed([pool.submit(run_case, case, plan) for case in cases]):
            done(future.result())


def run_case(case: Case, plan: Plan) -> list[Row]:
    """One row for each tool; a tool that took its process down gets a row that says so."""
    rows: list[Row] = []
    left = list(plan.tools)
    while left:
        found, started, words = _child(case, left, plan)
        rows += found
        left = left[len(found) :]
        if not left:
            break
        # the case itself could not be made, or the tool named last broke the process
        failed = [started] if started in left else left
        rows += [{**case.row(), "tool": name, "note": f"failed: {words}"} for name in failed]
        left = left[len(failed) :]
    return rows


def _child(case: Case, tools: Sequence[str], plan: Plan) -> tuple[list[Row], str | None, str]:
    """Rows of one child, the tool it started last, and its last words."""
    command = [sys.executable, str(_CHILD), json.dumps(asdict(case)), *tools]
    if plan.blender_python:
        command += ["--blender-python", plan.blender_python]
    rows: list[Row] = []
    words: list[str] = []
    started = None
    # on leaving, the pipes are closed and the child is waited for
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, **_ONE_THREAD, "PYTHONPATH": str(ROOT / "geometry")},
    ) as child:
        listener = threading.Thread(target=lambda: words.extend(child.stderr or ()))
        alarm = threading.Timer(plan.timeout_s, child.kill)
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
