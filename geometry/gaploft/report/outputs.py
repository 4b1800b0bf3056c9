"""Write everything that one rebuild gives into a folder: all of it, or nothing."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from time import perf_counter
from typing import Any

from gaploft.files.facts import WrittenMesh, file_notes
from gaploft.files.folder import clear_folder, refuse_inputs, whole_folder
from gaploft.files.ply import write_ply
from gaploft.files.stl import write_stl
from gaploft.files.whole import write_whole
from gaploft.progress import Progress, silent
from gaploft.report.apart import Draw, drawing_here
from gaploft.report.arrays import shop_arrays
from gaploft.report.model import Rebuild
from gaploft.report.numbers import GENERATOR, as_dict, as_json
from gaploft.report.page import as_page
from gaploft.report.pieces import PIECE_NAMES, in_frame, owner_of, pieces_of, target_files, write_pieces

OUTPUT_NAMES = ("target.stl", "target.ply", "report.json", "report.html", *PIECE_NAMES)


def write_outputs(
    rebuild: Rebuild,
    directory: Path,
    *,
    inputs: Sequence[Path] = (),
    draw: Draw = drawing_here,
    progress: Progress = silent,
) -> dict[str, Any]:
    """Write target, report and all that was asked for beside them; without a target, the report alone.

    Parameters
    ----------
    rebuild : Rebuild
    directory : made if it is missing; results of an earlier run there are replaced
    inputs : files that the job reads, which no result may be written over
    draw : who draws the pictures of a target

    Returns
    -------
    dict
        What ``report.json`` holds.

    Raises
    ------
    InputError
        Something can't be written; ``directory`` is then as it was.
    """
    started = perf_counter()
    refuse_inputs(directory, OUTPUT_NAMES, inputs)
    written, files = None, list[dict[str, Any]]()
    with whole_folder(directory, OUTPUT_NAMES) as staging:
        progress("write", 0.0)
        drawn = None
        if rebuild.target is not None:
            drawn = draw(rebuild.target, shop_arrays(rebuild))
            target, owner = in_frame(rebuild.target, rebuild.frame), owner_of(rebuild.frame)
            written = write_stl(staging / "target.stl", target, frame=owner)
            progress("write", 0.2)
            ply = write_ply(staging / "target.ply", target, frame=owner)
            pieces = {piece.name: piece for piece in pieces_of(rebuild)}
            files = [*target_files(written, ply), *write_pieces(staging, pieces)]
            rebuild = _with_file_notes(rebuild, written)
        progress("write", 0.6)
        pictures = () if drawn is None else drawn()
        progress("write", 0.9)
        seconds = {**rebuild.seconds, "write": perf_counter() - started}
        report = {**as_dict(replace(rebuild, seconds=seconds), written), "files": files}
        write_whole(staging / "report.json", as_json(report).encode("utf-8"))
        write_whole(staging / "report.html", as_page(report, pictures).encode("utf-8"))
        progress("write", 1.0)
    return report


def clear_outputs(directory: Path, *, keep: Sequence[Path] = ()) -> None:
    """Remove what an earlier run left in ``directory``; a folder without its report is not touched."""
    try:
        report = (directory / "report.json").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return
    if f'"generator": "{GENERATOR} ' in report:
        clear_folder(directory, OUTPUT_NAMES, keep=keep)


def _with_file_notes(rebuild: Rebuild, written: WrittenMesh) -> Rebuild:
    """Add what only shows on the written file; it makes "ready" into "check"."""
    notes = file_notes(written, chord_tolerance_mm=rebuild.job.target.chord_tolerance_mm)
    if not notes:
        return rebuild
    verdict = "check" if rebuild.verdict == "ready" else rebuild.verdict
    return replace(rebuild, verdict=verdict, warnings=(*rebuild.warnings, *notes))
