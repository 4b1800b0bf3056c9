"""The command line: ``gaploft rebuild JOB.toml --out DIR``, ``gaploft stock TARGET MEASURED --out DIR``."""

import argparse
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from importlib import metadata
from pathlib import Path
from time import perf_counter
from types import FrameType
from typing import TYPE_CHECKING, NoReturn, TextIO

from gaploft.errors import Cancelled, EvidenceError, InputError
from gaploft.progress import STAGES, Progress, silent

if TYPE_CHECKING:
    from gaploft.job import Job
    from gaploft.report.model import Rebuild
    from gaploft.scan.model import Scan

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
        with _stoppable():
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
        _say("there is not enough memory for this scan: thin it out in the scanning program")
        return UNUSABLE


def _rebuild(options: argparse.Namespace) -> int:
    """Run ``gaploft rebuild``."""
    # Imported here, so that an interrupt while the larger libraries load ends as quietly as any other.
    from gaploft.job_file import read_job
    from gaploft.report.apart import drawing_apart
    from gaploft.report.outputs import clear_outputs, write_outputs
    from gaploft.scan.mask import check_mask
    from gaploft.scan.read import read_scan

    job_path, directory = options.job, options.out
    inputs: tuple[Path, ...] = (job_path,)
    try:
        job_file = read_job(job_path)
        inputs = job_file.inputs
        with drawing_apart() as draw, _progress_bar(sys.stderr) as progress:
            started = perf_counter()
            scan = read_scan(job_file.scan_path, job_file.unit, progress=progress)
            check_mask(job_file.job, scan.source.vertices)
            seconds = {"read": perf_counter() - started}
            outcome = _outcome(scan, job_file.job, progress)
            outcome = replace(outcome, seconds={**outcome.seconds, **seconds})
            report = write_outputs(outcome, directory, inputs=inputs, draw=draw, progress=progress)
    except InputError:
        # An old target left beside a job that failed could be taken for its result.
        clear_outputs(directory, keep=inputs)
        raise
    if report["verdict"] == "refused":
        raise EvidenceError(report["warnings"][-1]["text"])
    band = report["band95_mm"]
    print(
        f"{report['verdict']}: {directory / 'target.stl'} (mm), 95 % band {band['median']:.3f} mm median, "
        f"{band['max']:.3f} mm largest; read {directory / 'report.html'} before machining"
    )
    return DONE


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


def _counted(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _outcome(scan: "Scan", job: "Job", progress: Progress) -> "Rebuild":
    """Rebuild; a lack of evidence that ends the work early is an outcome too, and gets its report."""
    from gaploft.pipeline import rebuild
    from gaploft.report.model import Rebuild
    from gaploft.scan.model import Note

    try:
        return rebuild(scan, job, progress=progress)
    except EvidenceError as error:
        warnings = (*scan.notes, Note("no_evidence", str(error)))
        return Rebuild(job, scan.source, None, None, "refused", warnings)


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="gaploft", description="Rebuild the outer surface of a broken tube across the damage."
    )
    parser.add_argument("--version", action="version", version=f"gaploft {_version()}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    rebuild = commands.add_parser(
        "rebuild",
        help="rebuild one tube from a scan",
        description="Write target.stl, target.ply, report.json and report.html for one job. "
        "Results of an earlier run in DIR are replaced, or removed when this run gives none. "
        "Exit codes: 0 done, 2 the input can't be used, 3 the evidence does not support a target, "
        "130 interrupted.",
    )
    rebuild.add_argument("job", type=Path, metavar="JOB.toml", help="what to rebuild")
    rebuild.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for the results")
    rebuild.set_defaults(run=_rebuild)
    _add_stock(commands)
    return parser


def _add_stock(commands: "argparse._SubParsersAction[_Parser]") -> None:
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
    stock.set_defaults(run=_stock)


def _version() -> str:
    try:
        return metadata.version("gaploft")
    except metadata.PackageNotFoundError:
        return "(not installed)"


def _say(text: str) -> None:
    """One line on stderr."""
    print("gaploft: " + " ".join(text.split()), file=sys.stderr)


@contextmanager
def _stoppable() -> Iterator[None]:
    """Let SIGTERM stop the work as Ctrl-C does, and keep a second one from disturbing the tidying up."""

    def stop(number: int, frame: FrameType | None) -> None:
        for known in (signal.SIGINT, signal.SIGTERM):
            signal.signal(known, signal.SIG_IGN)
        raise KeyboardInterrupt

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _progress_bar(stream: TextIO, stages: Sequence[str] = STAGES) -> Iterator[Progress]:
    """Give a ``progress(stage, share)`` that draws on ``stream`` when that is a terminal."""
    if not stream.isatty():
        yield silent
        return
    from tqdm import tqdm

    with tqdm(total=100, file=stream, leave=False, bar_format="{desc:9}|{bar}| {n:3.0f} % {elapsed}") as bar:

        def show(stage: str, share: float) -> None:
            bar.set_description_str(stage, refresh=False)
            done = 100.0 * (stages.index(stage) + min(max(share, 0.0), 1.0)) / len(stages)
            bar.update(max(0.0, done - bar.n))

        yield show
