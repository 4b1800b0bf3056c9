"""Write targets out of a host program into a folder, each with its report: all of it, or nothing."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from gaploft.errors import InputError
from gaploft.files.facts import file_notes
from gaploft.files.folder import whole_folder
from gaploft.files.ply import write_ply
from gaploft.files.read_back import ReadBack, read_back
from gaploft.files.stl import write_stl
from gaploft.files.whole import write_whole
from gaploft.progress import Progress, silent
from gaploft.report.numbers import as_json, kind_of
from gaploft.report.page import as_page
from gaploft.report.pictures import draw_pictures
from gaploft.report.pieces import Piece, target_files, write_pieces
from gaploft.report.shop_pictures import ShopArrays
from gaploft.scan.model import Note
from gaploft.target.model import Target

#: All our files say so within their first bytes; what does not is somebody else's.
_OURS, _HEAD_BYTES = b"gaploft", 2000


@dataclass(frozen=True)
class Export:
    """One target to be written.

    Attributes
    ----------
    file : name of the STL, which names the other files, too
    target : as it is to be written
    report : what is known of it, as from :func:`gaploft.report.numbers.as_dict`
    rounding_mm : how far the host's own single precision has moved points already
    pieces : what is written beside target and report, as from :func:`gaploft.report.pieces.pieces_of`
    frame : whose frame ``target`` is in, which ``report`` tells of, too
    drawn : the same target in the scan's frame, which pictures are of; None where it is ``target`` itself
    shop : what the pictures show beside it
    """

    file: str
    target: Target
    report: Mapping[str, Any]
    rounding_mm: float = 0.0
    pieces: tuple[Piece, ...] = ()
    frame: str = "scan"
    drawn: Target | None = None
    shop: ShopArrays | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all files: those of :func:`names_of`, then one for each piece."""
        stem = Path(self.file).stem
        return (*names_of(self.file), *(f"{stem}{piece.ending}" for piece in self.pieces))


@dataclass(frozen=True)
class Exported:
    """What was written: the files' names, the STL as read back, its checksum, and what only shows on it."""

    names: tuple[str, ...]
    read_back: ReadBack
    sha256: str
    verdict: str
    notes: tuple[Note, ...]


def names_of(file: str) -> tuple[str, str, str, str]:
    """Names of STL, PLY, report for programs and report for people, from that of the STL."""
    stem = Path(file).stem
    report = "report" if stem == "target" else f"{stem}_report"
    return file, f"{stem}.ply", f"{report}.json", f"{report}.html"


def write_exports(
    directory: Path, exports: Sequence[Export], *, progress: Progress = silent
) -> tuple[Exported, ...]:
    """Write STL, PLY and both reports of each target, and read each STL back before anything counts.

    Raises
    ------
    InputError
        Something can't be written, a file that is not one of ours would be replaced, or an STL does not
        hold its mesh when read back; ``directory`` is then as it was.
    Cancelled
        By ``progress``; ``directory`` is then as it was.
    """
    names = [name for export in exports for name in export.names]
    _refuse_strangers(directory, exports)
    done = []
    with whole_folder(directory, names) as staging:
        for k, export in enumerate(exports):

            def part(_stage: str, share: float, k: int = k) -> None:
                progress("write", (k + share) / len(exports))

            done.append(_write(staging, export, part))
        progress("write", 1.0)
    return tuple(done)


def _write(folder: Path, export: Export, progress: Progress) -> Exported:
    stl, ply, numbers, page, *others = export.names
    progress("write", 0.0)
    written = write_stl(folder / stl, export.target, frame=export.frame)
    found = read_back(folder / stl, export.target)
    progress("write", 0.2)
    coloured = write_ply(folder / ply, export.target, frame=export.frame)
    pieces = dict(zip(others, export.pieces, strict=True))
    files = [*target_files(written, coloured), *write_pieces(folder, pieces)]
    written = replace(written, rounding_mm=written.rounding_mm + export.rounding_mm)
    notes = file_notes(written, chord_tolerance_mm=export.report["job"]["chord_tolerance_mm"])
    told = {**export.report["target"], **asdict(written), "size_mm": list(found.size_mm)}
    told["kind"] = kind_of(export.target)
    report = _with_notes({**export.report, "target": told, "files": files}, notes)
    write_whole(folder / numbers, as_json(report).encode("utf-8"))
    progress("write", 0.3)
    pictures = draw_pictures(export.drawn or export.target, export.shop)
    progress("write", 0.9)
    write_whole(folder / page, as_page(report, pictures).encode("utf-8"))
    return Exported(export.names, found, written.sha256, report["verdict"], notes)


def _with_notes(report: Mapping[str, Any], notes: Sequence[Note]) -> dict[str, Any]:
    """A copy of a report with what only shows on the written file; it makes "ready" into "check"."""
    verdict = "check" if notes and report["verdict"] == "ready" else report["verdict"]
    warnings = [*report["warnings"], *({"code": note.code, "text": note.text} for note in notes)]
    return {**report, "verdict": verdict, "warnings": warnings}


def _refuse_strangers(directory: Path, exports: Sequence[Export]) -> None:
    """Raise InputError when a file beside the STL, which nobody named, would replace somebody's own."""
    for path in (directory / name for export in exports for name in export.names[1:]):
        try:
            with path.open("rb") as stream:
                ours = _OURS in stream.read(_HEAD_BYTES).lower()
        except OSError:
            continue  # nothing is there, or whole_folder says what is wrong
        if not ours:
            raise InputError(f"{path} is there already and not from an export: give the target another name")
