"""Write everything that one stock check gives into a folder: all of it, or nothing."""

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from gaploft.files.folder import clear_folder, refuse_inputs, whole_folder
from gaploft.files.stock_ply import write_stock_ply
from gaploft.files.whole import write_whole
from gaploft.progress import Progress, silent
from gaploft.report.cautions import cautions_for
from gaploft.report.numbers import GENERATOR, as_json
from gaploft.report.page import rendered, sheet_name
from gaploft.report.picture import Picture
from gaploft.report.stock_numbers import stock_dict
from gaploft.report.stock_pictures import draw_stock
from gaploft.report.stock_target import KnownTarget
from gaploft.stock.model import Stock

STOCK_NAMES = ("stock.ply", "stock.json", "stock.html")
_VERDICTS = {
    "conforming": (
        "✓",
        "Conforming",
        "ready",
        "Every place lies within the limits by the guard band.",
    ),
    "not conforming": (
        "✕",
        "Not conforming",
        "refused",
        "At least one place lies outside the limits by more than the measurement could be wrong.",
    ),
    "undecided": (
        "!",
        "Undecided",
        "check",
        "Places lie so close to a limit, or are so little known, that the measurement can't say.",
    ),
}


def write_stock(
    stock: Stock,
    target: KnownTarget,
    directory: Path,
    *,
    inputs: Sequence[Path] = (),
    progress: Progress = silent,
) -> dict[str, Any]:
    """Write map, numbers and page of a stock check, and return what ``stock.json`` holds.

    Raises
    ------
    InputError
        Something can't be written, or a result would be written over an input; ``directory`` is then as it
        was.
    """
    refuse_inputs(directory, STOCK_NAMES, (*target.inputs, *inputs))
    report = stock_dict(stock, target)
    with whole_folder(directory, STOCK_NAMES) as staging:
        progress("write", 0.0)
        report["files"] = [
            {"file": "stock.ply", "sha256": write_stock_ply(staging / "stock.ply", target.skin, stock)}
        ]
        progress("write", 0.2)
        write_whole(staging / "stock.json", as_json(report).encode("utf-8"))
        page = stock_page(report, draw_stock(target.skin, stock), patch=target.patch)
        write_whole(staging / "stock.html", page.encode("utf-8"))
        progress("write", 1.0)
    return report


def clear_stock(directory: Path, *, keep: Sequence[Path] = ()) -> None:
    """Remove what an earlier check left in ``directory``; a folder without its numbers is not touched."""
    try:
        report = (directory / "stock.json").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return
    if f'"generator": "{GENERATOR} ' in report:
        clear_folder(directory, STOCK_NAMES, keep=keep)


def stock_page(report: dict[str, Any], pictures: Sequence[Picture], *, patch: bool = False) -> str:
    """Lay out a check from :func:`gaploft.report.stock_numbers.stock_dict` as HTML, of a tube or a patch."""
    sign, title, kind, meaning = _VERDICTS[report["decision"]["verdict"]]
    return rendered(
        "stock.html.j2",
        report=report,
        sign=sign,
        title=title,
        kind=kind,
        meaning=meaning,
        cautions=cautions_for(patch=patch),
        pictures=[(base64.b64encode(picture.png).decode("ascii"), picture.caption) for picture in pictures],
        sheet_name=sheet_name("stock", report["measured"]["sha256"], report["target"]["sha256"]),
    )
