"""The command line: ``gaploft rebuild``, ``gaploft stock`` and ``gaploft shelf``."""

import argparse
import sys
from collections import Counter
from collections.abc import Sequence
from importlib import metadata
from typing import TYPE_CHECKING, Any, NoReturn

from gaploft.arguments import add_rebuild, add_shelf, add_stock
from gaploft.bar import job_bar
from gaploft.bar import progress_bar as _progress_bar
from gaploft.errors import Cancelled, EvidenceError, InputError
from gaploft.one_job import NO_MEMORY, refusal, run_job
from gaploft.stopping import stoppable

if TYPE_CHECKING:
    from gaploft.report.summary import JobRow

DONE, UNUSABLE, REFUSED, INTERRUPTED = 0, 2, 3, 130


class _Parser(argparse.ArgumentParser):
    """Says what is wrong with a command in one line, as everything else here does."""

    def error(self, message: str) -> NoReturn:
        _say(f"{message}; see {self.prog} --help")
        raise SystemExit(UNUSABLE)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    0 done, 2 the input can't be used, 3 the evidence does not support a target, 130 interrupted.
    """
    try:
        with stoppable():
            options = _parser().parse_args(arguments)
            return _run(options)
    except (KeyboardInterrupt, Cancelled):
        _say("interrupted, nothing is left half-written")
        return INTERRUPTED


def _run(options: argparse.Namespace) -> int:
    try:
        code: int = options.run(options)
        return code
    except EvidenceError as error:
        _say(str(error))
        return REFUSED
    except InputError as error:
        _say(str(error))
        return UNUSABLE
    except MemoryError:
        _say(NO_MEMORY)
        return UNUSABLE


def _rebuild(options: argparse.Namespace) -> int:
    """Run ``gaploft rebuild``."""
    if options.more or options.batch:
        return _rebuild_all(options)
    with _progress_bar(sys.stderr) as progress:
        report = run_job(options.job, options.out, progress=progress)
    reason = refusal(report)
    if reason is not None:
        raise EvidenceError(reason)
    print(
        f"{report['verdict']}: {options.out / 'target.stl'} (mm), {_band(report['band95_mm'])}; "
        f"read {options.out / 'report.html'} before machining"
    )
    return DONE


def _rebuild_all(options: argparse.Namespace) -> int:
    """Run ``gaploft rebuild`` on many jobs."""
    from gaploft.batch.run import run_batch

    jobs = (options.job, *options.more)
    with job_bar(sys.stderr, len(jobs)) as tell:
        rows = run_batch(jobs, options.out, n_lanes=options.lanes, ended=lambda row: tell(_told(row)))
    counts = Counter(row.verdict for row in rows)
    told = ", ".join(f"{counts[name]} {name}" for name in ("ready", "check", "refused", "unusable"))
    told = f"{_counted(len(rows), 'job')}: {told}; read {options.out / 'summary.html'}"
    if counts["unusable"] or counts["refused"]:
        _say(told)
        return UNUSABLE if counts["unusable"] else REFUSED
    print(told)
    return DONE


def _told(row: "JobRow") -> str:
    """One job of many in one line."""
    if row.reason is not None:
        return f"{row.job}: {row.verdict}: {row.reason}"
    return f"{row.job}: {row.verdict}, {_band({'median': row.band95_median_mm, 'max': row.band95_max_mm})}"


def _band(band: dict[str, Any]) -> str:
    return f"95 % band {band['median']:.3f} mm median, {band['max']:.3f} mm largest"


def _stock(options: argparse.Namespace) -> int:
    """Run ``gaploft stock``."""
    from gaploft.report.stock_outputs import clear_stock, write_stock
    from gaploft.report.stock_target import in_target_frame, read_target
    from gaploft.scan.read import read_scan
    from gaploft.stock.check import check_stock
    from gaploft.stock.model import STOCK_STAGES, StockSettings

    inputs = (options.measured,)
    try:
        with _progress_bar(sys.stderr, STOCK_STAGES) as progress:
            settings = StockSettings(
                tolerance_mm=options.tolerance,
                lower_mm=options.lower,
                upper_mm=options.upper,
                uncertainty_mm=options.uncertainty,
                align=options.align,
                stage="machined" if options.machined else "laid-up",
            )
            target = read_target(options.target)
            inputs = (*inputs, *target.inputs)
            measured = read_scan(options.measured, options.unit, progress=progress)
            if options.scan_frame:
                measured = in_target_frame(measured, target)
            stock = check_stock(target.skin, measured, settings, progress=progress)
            report = write_stock(stock, target, options.out, inputs=inputs, progress=progress)
    except InputError:
        clear_stock(options.out, keep=inputs)
        raise
    print(
        f"{report['decision']['verdict']}: {report['surplus_volume_mm3']:.1f} mm3 to be removed, "
        f"{_counted(len(report['low_spots']), 'low spot')} of {report['low_area_mm2']:.1f} mm2, "
        f"{100.0 * report['covered_fraction']:.1f} % seen; read {options.out / 'stock.html'} before machining"
    )
    return DONE


def _shelf(options: argparse.Namespace) -> int:
    """Run ``gaploft shelf``."""
    from gaploft.shelf_command import list_shelf, put_on_shelf, search_shelf

    if options.action == "list":
        lines = list(list_shelf(options.folder))
    elif options.action == "put":
        place = {"near": options.near, "note": options.note}
        lines = [put_on_shelf(options.folder, options.scan, options.unit, options.name, **place)]
    else:
        lines = list(search_shelf(options.folder, options.job, mirrored=options.mirrored))
    for line in lines or ["the shelf holds no tubes"]:
        print(line)
    return DONE


def _counted(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="gaploft", description="Rebuild the outer surface of a broken tube across the damage."
    )
    parser.add_argument("--version", action="version", version=f"gaploft {_version()}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    add_rebuild(commands, _rebuild)
    add_stock(commands, _stock)
    add_shelf(commands, _shelf)
    return parser


def _version() -> str:
    try:
        return metadata.version("gaploft")
    except metadata.PackageNotFoundError:
        return "(not installed)"


def _say(text: str) -> None:
    """One line on stderr."""
    print("gaploft: " + " ".join(text.split()), file=sys.stderr)
