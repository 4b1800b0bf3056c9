"""Child of ``bench_patch.py``: one damaged junction, by this library and by the general tools.

    python -m patch_tools.one_case '{"case": "saddle", "seed": 0, "noise_mm": 0.02, "rim": "mixed"}' \
        TOOL [TOOL ...] --margin 8

Prints one line of JSON when a tool starts and one when it is done, so that the parent knows who it was
when a library takes the whole process down.
"""

import argparse
import json
import os
from typing import Any, TextIO

from .measured import as_scan, as_truth, our_row, seconds_of_filling, tool_row  # isort: skip - sets the path

from junctions import CASES

from . import TOOLS

OURS = "gaploft"


def own_stdout() -> TextIO:
    """The parent's pipe, out of reach of libraries that print: their words go to stderr."""
    pipe = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    return pipe


def asked() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description="One case of the patch benchmark.")
    parser.add_argument("about", type=json.loads)
    parser.add_argument("tools", nargs="+", choices=[OURS, *TOOLS])
    parser.add_argument("--margin", type=float, required=True, metavar="MM")
    return parser.parse_args()


def main() -> int:
    """Make the case, run the tools, print a row for each."""
    options, out = asked(), own_stdout()

    def tell(**told: Any) -> None:
        print(json.dumps(told), file=out, flush=True)

    about = options.about
    case = CASES[about["case"]](seed=about["seed"], noise_mm=about["noise_mm"], rim=about["rim"])
    truth, scan = as_truth(case), as_scan(case, options.margin)
    filling_s = seconds_of_filling(scan) if any(TOOLS[n].fills for n in options.tools if n != OURS) else 0.0
    for name in options.tools:
        tell(started=name)
        if name == OURS:
            row = our_row(case, truth)
        else:
            row = tool_row(TOOLS[name], scan, truth, filling_s) | {"margin_mm": options.margin}
        half = "kept out" if case.kept_out else "development"
        tell(row={**about, "half": half, "size_mm": case.size_mm, "tool": name, **row})
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
