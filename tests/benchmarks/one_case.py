"""Child of ``bench_accuracy.py``: one broken tube, by this library and by the general tools.

    python one_case.py '{"family": "oval", "gap_mm": 40, "variant": 0, "seed": 1, "adversity": "plain"}' \
        TOOL [TOOL ...] [--blender-python PYTHON]

Prints one line of JSON when a tool starts and one when it is done, so that the parent knows who it was
when a library takes the whole process down.
"""

import argparse
import json
import os
import time
from dataclasses import asdict
from typing import Any, TextIO

import numpy as np

import measuring  # noqa: F401  # isort: skip - puts the tests' folders on the path

from cases import Case
from error_measure import TruthPoints, surface_error
from general_tools import BrokenScan, GeneralTool, tools_with
from lofted import BrokenTube
from ours import our_row
from truth_points import truth_points

OURS = "gaploft"


def as_scan(case: BrokenTube) -> BrokenScan:
    """What the general tools are given of a case."""
    damaged = None
    if case.damaged is not None:
        damaged = np.zeros(len(case.vertices), dtype=bool)
        damaged[case.damaged] = True
    return BrokenScan(case.vertices, case.faces, case.from_mm, case.to_mm, damaged)


def tool_row(tool: GeneralTool, scan: BrokenScan, truth: TruthPoints) -> dict[str, Any]:
    """One general tool on one scan; whatever it raises is a note, since it is its own affair."""
    started = time.perf_counter()
    try:
        patch = tool.rebuild(scan)
    except Exception as error:  # noqa: BLE001 - libraries of others
        return {"note": f"{type(error).__name__}: {error}"}
    seconds = time.perf_counter() - started
    error = surface_error(truth, patch.vertices, patch.faces)
    note = "" if error.bridged else f"does not bridge: covers {error.covered:.0%}"
    return {"seconds": seconds, **asdict(error), "note": note}


def own_stdout() -> TextIO:
    """The parent's pipe, out of reach of libraries that print: their words go to stderr."""
    pipe = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    return pipe


def main() -> int:
    """Make the case, run the tools, print a row for each."""
    parser = argparse.ArgumentParser(description="One case of the accuracy benchmark.")
    parser.add_argument("case", type=json.loads)
    parser.add_argument("tools", nargs="+")
    parser.add_argument("--blender-python")
    options = parser.parse_args()
    out = own_stdout()
    asked = Case(**options.case)
    case = asked.made()
    truth, scan = truth_points(case), as_scan(case)
    about = {**asked.row(), "tube_diameter_mm": case.tube.perimeter_mm / np.pi}
    general = tools_with(options.blender_python)
    for name in options.tools:
        print(json.dumps({"started": name}), file=out, flush=True)
        row = our_row(case, truth) if name == OURS else tool_row(general[name], scan, truth)
        print(json.dumps({"row": {**about, "tool": name, **row}}), file=out, flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
