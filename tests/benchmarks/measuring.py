"""What the benchmarks share: where results go, a child's time and memory, tables, the machine."""

import json
import os
import platform
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
RESULTS = Path(__file__).resolve().parent / "results"
for _folder in (ROOT / "tests", ROOT / "sample_scenes", ROOT / "geometry"):
    sys.path.insert(0, str(_folder))


@dataclass(frozen=True)
class Usage:
    """One finished child: exit code, wall seconds, peak resident memory, what it printed."""

    code: int
    wall_s: float
    peak_mib: float
    output: str


def run_measured(command: Sequence[str | Path]) -> Usage:
    """Run a command and measure it with wait4, which counts this child alone."""
    started = time.perf_counter()
    child = subprocess.Popen(
        [str(part) for part in command],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT / "geometry")},
    )
    lines: list[str] = []
    reader = threading.Thread(target=lambda: lines.extend(child.stdout or ()))
    reader.start()
    _, status, usage = os.wait4(child.pid, 0)
    wall = time.perf_counter() - started
    child.returncode = os.waitstatus_to_exitcode(status)
    reader.join()
    # Linux counts in KiB, macOS in bytes
    peak = usage.ru_maxrss / (1024.0 if sys.platform == "linux" else 1024.0**2)
    return Usage(child.returncode, wall, peak, "".join(lines))


def machine() -> dict[str, Any]:
    """What the figures were measured on, in general terms."""
    return {
        "system": platform.system(),
        "processor": platform.machine(),
        "cores": os.cpu_count(),
        "python": platform.python_version(),
    }


def markdown_table(rows: Sequence[Mapping[str, Any]]) -> str:
    """Rows with the same keys as a Markdown table."""
    names = list(rows[0])
    lines = ["| " + " | ".join(names) + " |", "| " + " | ".join("---" for _ in names) + " |"]
    lines += ["| " + " | ".join(str(row[name]) for name in names) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def write_json(name: str, content: Mapping[str, Any]) -> Path:
    """Write one result and return its path."""
    RESULTS.mkdir(exist_ok=True)
    path = RESULTS / name
    path.write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8")
    return path
