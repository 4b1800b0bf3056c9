"""The arguments of each command."""

import argparse
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

#: What ``add_subparsers`` gives, whatever parser it makes.
Commands = Any
#: Runs a command with its arguments and returns its exit code.
Run = Callable[[argparse.Namespace], int]


def add_rebuild(commands: Commands, run: Run) -> None:
    """The arguments of ``gaploft rebuild``."""
    rebuild = commands.add_parser(
        "rebuild",
        help="rebuild tubes from scans",
        description="Write target.stl, target.ply, report.json and report.html for one job into DIR. Of "
        "several jobs each gets a folder of its own there, named like its file, with summary.csv and "
        "summary.html of all beside them; none that fails stops the others. "
        "Results of an earlier run in DIR are replaced, or removed when this run gives none. "
        "Exit codes: 0 done, 2 the input can't be used, 3 the evidence does not support a target, "
        "130 interrupted. Of several jobs: 0 each has a target, 2 at least one could not be used, "
        "3 all could be used but at least one is refused.",
    )
    rebuild.add_argument("job", type=Path, metavar="JOB.toml", help="what to rebuild")
    rebuild.add_argument("more", type=Path, nargs="*", metavar="MORE.toml", help="more jobs to rebuild")
    rebuild.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for the results")
    rebuild.add_argument("--batch", action="store_true", help="a folder and a summary also for one job")
    rebuild.add_argument(
        "--jobs",
        type=_at_least_one,
        default=os.cpu_count() or 1,
        dest="lanes",
        metavar="N",
        help="so many of several jobs at a time, one core each (all cores); fewer where memory is short",
    )
    rebuild.set_defaults(run=run)


def _at_least_one(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of jobs at a time: give 1 or more")
    return int(text)


def add_stock(commands: Commands, run: Run) -> None:
    """The arguments of ``gaploft stock``."""
    stock = commands.add_parser(
        "stock",
        help="hold a measured part against its target",
        description="Write stock.ply, stock.json and stock.html for the scan of a laid-up or machined part: "
        "surplus, low spots, and what is to be done where. All lengths here are mm. Exit codes: 0 done, "
        "2 the input can't be used, 130 interrupted.",
    )
    stock.add_argument("target", type=Path, metavar="TARGET", help="folder of a rebuild, or a mesh in mm")
    stock.add_argument("measured", type=Path, metavar="MEASURED", help="scan, in the frame of the target")
    stock.add_argument("--unit", required=True, metavar="UNIT", help="unit of MEASURED: mm, cm, m or in")
    stock.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for the results")
    stock.add_argument(
        "--tolerance",
        type=float,
        default=0.1,
        metavar="MM",
        help="so far may the part lie above or below the target (0.1: common practice, no source)",
    )
    stock.add_argument("--lower", type=float, metavar="MM", help="lowest stock, if not minus the tolerance")
    stock.add_argument("--upper", type=float, metavar="MM", help="highest stock, if not the tolerance")
    stock.add_argument(
        "--uncertainty",
        type=float,
        default=0.02,
        metavar="MM",
        help="standard uncertainty of scanner, frame and machine (0.02: common practice, no source)",
    )
    stock.add_argument("--align", action="store_true", help="move the part as intact surface asks for")
    stock.add_argument(
        "--scan-frame",
        action="store_true",
        help="MEASURED lies in the frame of the scan that was rebuilt, and TARGET in that of a machine",
    )
    stock.add_argument("--machined", action="store_true", help="the part has been machined already")
    stock.set_defaults(run=run)


def add_shelf(commands: Commands, run: Run) -> None:
    """The arguments of ``gaploft shelf``."""
    shelf = commands.add_parser(
        "shelf",
        help="known tubes of the shop's own",
        description="The shop's shelf: a folder with one small file for each tube whose shape is known. "
        "Exit codes: 0 done, 2 the input can't be used, 3 too little of a tube was scanned, 130 interrupted.",
    )
    actions = shelf.add_subparsers(dest="action", required=True, metavar="ACTION")
    listed = actions.add_parser("list", help="list the tubes", description="List the tubes of a shelf.")
    put = actions.add_parser(
        "put", help="put a tube on it", description="Put the longest intact tube of a scan on the shelf."
    )
    find = actions.add_parser(
        "find",
        help="find the one that fits",
        description="Rank the tubes of a shelf for the broken tube of a job.",
    )
    for action in (listed, put, find):
        action.add_argument("folder", type=Path, metavar="FOLDER", help="the shelf")
        action.set_defaults(run=run)
    put.add_argument("scan", type=Path, metavar="SCAN", help="scan of an intact tube")
    put.add_argument("--unit", required=True, metavar="UNIT", help="unit of SCAN: mm, cm, m or in")
    put.add_argument("--name", required=True, metavar="NAME", help="what to call the tube")
    put.add_argument("--near", type=float, nargs=3, metavar=("X", "Y", "Z"), help="a place on the tube meant")
    put.add_argument("--note", default="", metavar="TEXT", help="whatever is to be remembered of it")
    find.add_argument("job", type=Path, metavar="JOB.toml", help="the broken tube")
    find.add_argument("--mirrored", action="store_true", help="mirror images serve as well")
