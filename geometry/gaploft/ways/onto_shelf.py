"""Putting tubes on the shop's shelf, and finding the one that fits."""

from datetime import date
from pathlib import Path

from gaploft.donor.flanks import Flanks
from gaploft.donor.model import PlacedFit
from gaploft.donor.place import settle_near
from gaploft.errors import EvidenceError, InputError
from gaploft.evidence.assess import Assessed
from gaploft.evidence.intact import fit_intact, rebuilt_shape
from gaploft.evidence.trusted_fit import TubeFit
from gaploft.files.whole import cannot_write
from gaploft.progress import Progress, silent
from gaploft.scan.model import ScanSource
from gaploft.shelf.found import Found, Query
from gaploft.shelf.model import Entry, Provenance
from gaploft.shelf.search import search
from gaploft.shelf.store import ENDING, write_entry
from gaploft.surface.shape import Shape
from gaploft.tube.model import TubePoints

#: Names of tubes on the shelf become names of files.
_FORBIDDEN, _LONGEST = '<>:"/\\|?*', 100


def entry_path(folder: Path, name: str) -> Path:
    """Where a tube of this name lies.

    Raises
    ------
    InputError
        The name can't be that of a file on every system.
    """
    wrong = any(sign in _FORBIDDEN or ord(sign) < 32 for sign in name)
    if wrong or not name or name != name.strip(" .") or len(name) > _LONGEST:
        raise InputError(
            f"{name!r} can't be the name of a tube on the shelf: use letters, figures, spaces and dashes"
        )
    return folder / f"{name}{ENDING}"


def put_intact(
    folder: Path, name: str, tube: TubePoints, source: ScanSource, *, made: date, note: str = ""
) -> Entry:
    """Put an intact tube of a scan on the shelf, over one of the same name.

    Raises
    ------
    InputError
        The name won't do, or the file can't be written.
    EvidenceError
        Too little of the tube was scanned.
    """
    whole = fit_intact(tube)
    said = Provenance(source.file, source.sha256, "intact", whole.noise_mm, made.isoformat(), note)
    return _put(folder, Entry(name, whole.shape, said))


def put_rebuilt(
    folder: Path,
    name: str,
    fit: TubeFit,
    judged: Assessed,
    source: ScanSource,
    *,
    made: date,
    note: str = "",
) -> Entry:
    """Put a rebuilt tube on the shelf, as uncertain as its band says; errors as :func:`put_intact`."""
    noise = fit.noise.scale_mm
    said = Provenance(source.file, source.sha256, "rebuilt", noise, made.isoformat(), note)
    return _put(folder, Entry(name, rebuilt_shape(fit, judged.band), said))


def _put(folder: Path, entry: Entry) -> Entry:
    path = entry_path(folder, entry.name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise cannot_write(folder, error) from error
    return write_entry(path, entry)


def find_on_shelf(
    folder: Path, flanks: Flanks, *, mirrored: bool = False, progress: Progress = silent
) -> Found[PlacedFit]:
    """Rank the tubes of a shelf by how well they fit a broken one, the best first.

    Raises
    ------
    InputError
        The folder can't be read.
    """
    query = Query(flanks.rings, flanks.gap_mm, flanks.tube.radius_mm)

    def register(shape: Shape) -> PlacedFit | None:
        try:
            return settle_near(flanks, shape)[0].fit
        except EvidenceError:
            return None

    def told(_: str, share: float) -> None:
        progress("tube", share)

    return search(folder, query, register=register, mirrored=mirrored, progress=told)
