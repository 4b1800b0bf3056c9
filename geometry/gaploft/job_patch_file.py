"""Tables of a job file that are about patches, patch and crease, and the damage that a patch is made over."""

from collections.abc import Sequence
from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.job import Damage
from gaploft.job_patch import PATCH_USES, Crease, PatchSettings, PatchUse
from gaploft.job_values import Table, is_row, millimetres, one_of, point, points
from gaploft.scan.mask import read_mask

Floats = NDArray[np.float64]

#: Keys of each table; of ``crease`` there may be several.
KEYS = {"patch": ("use", "outline", "guides"), "crease": ("points", "radius")}
_SAME_POINT_MM = 0.01


def patch(tables: Table, file: str, mm_per_unit: float) -> PatchSettings:
    """How a job file wants a patch made; all places are in the scan's unit. Raises InputError."""
    table, where = tables.get("patch", {}), f"{file} [patch]"
    use = cast(PatchUse, one_of(table, "use", where, "auto", PATCH_USES))
    guides = points(table, "guides", where, at_least=1)
    found = PatchSettings(
        use=use,
        outlines_mm=tuple(mm_per_unit * loop for loop in _outlines(table, where)),
        creases=_creases(tables.get("crease", []), file, mm_per_unit),
        guides_mm=None if guides is None else mm_per_unit * guides,
    )
    given = {"outline": found.outlines_mm, "guides": "guides" in table, "[[crease]]": found.creases}
    idle = [name for name, there in given.items() if there]
    if use == "never" and idle:
        raise InputError(
            f'{file} has {" and ".join(idle)} for a patch, and use = "never" in [patch]: remove '
            f"{'it' if len(idle) == 1 else 'them'}, or let a patch be made"
        )
    return found


def _outlines(table: Table, where: str) -> list[Floats]:
    """Loops that are drawn around the damage: one, or a list of them."""
    if "outline" not in table:
        return []
    given = table["outline"]
    rows = given if isinstance(given, list) and given else [None]
    loops = [rows] if is_row(rows[0], 3) else rows
    for loop in loops:
        if not (isinstance(loop, list) and len(loop) >= 3 and all(is_row(place, 3) for place in loop)):
            raise InputError(
                f"outline in {where} must be 3 or more points [x, y, z] in a list, or a list of such outlines"
            )
    return [np.array(loop, dtype=np.float64) for loop in loops]


def _creases(tables: Sequence[Table], file: str, mm_per_unit: float) -> tuple[Crease, ...]:
    """Edges that run through the damage."""
    return tuple(
        _crease(table, f"[[crease]] {number} of {file}", mm_per_unit)
        for number, table in enumerate(tables, start=1)
    )


def _crease(table: Table, where: str, mm_per_unit: float) -> Crease:
    along = points(table, "points", where, at_least=2)
    if along is None:
        raise InputError(f"{where} lacks points: give 2 or more points [x, y, z] along the edge")
    if np.ptp(along, axis=0).max() * mm_per_unit < _SAME_POINT_MM:
        raise InputError(f"points in {where} are all the same place: give places along the edge")
    return Crease(mm_per_unit * along, millimetres(table, "radius", where, 0.0))


def damage(
    table: Table, patch: PatchSettings, mm_per_unit: float, mask_path: Path | None, where: str
) -> Damage:
    """Where the tube is broken.

    Only a patch does without the two ends, see :class:`gaploft.job.Damage`: between the ends of an outline's
    bounding box along its longest axis they are then set to; with a mask alone, to no place at all.

    Raises
    ------
    InputError
        The ends are missing where they are needed, or the same place, or the damage is given twice.
    """
    if mask_path is not None and patch.outlines_mm:
        raise InputError(
            f"the damage is given twice, by mask in {where} and by outline in [patch]: remove one of them"
        )
    missing = [key for key in ("from", "to") if key not in table]
    area = mask_path is not None or bool(patch.outlines_mm)
    if len(missing) == 2 and patch.use == "always" and area:
        start, stop = _ends(patch)
    elif missing:
        them = "it" if len(missing) == 1 else "them"
        instead = "" if patch.use != "always" or area else ", or mask, or outline in [patch]"
        raise InputError(f"{where} lacks {' and '.join(missing)}: add {them}{instead}")
    else:
        start, stop = (mm_per_unit * point(table, key, where) for key in ("from", "to"))
        if np.linalg.norm(stop - start) < _SAME_POINT_MM:
            raise InputError(f"from and to in {where} are the same point: give the two ends of the damage")
    return Damage(start, stop, None if mask_path is None else read_mask(mask_path))


def _ends(patch: PatchSettings) -> tuple[Floats, Floats]:
    """Two ends of a damage whose ends nobody gave."""
    if not patch.outlines_mm:
        return np.full(3, np.nan), np.full(3, np.nan)
    drawn = np.concatenate(patch.outlines_mm)
    low, high = drawn.min(axis=0), drawn.max(axis=0)
    start, stop = 0.5 * (low + high), 0.5 * (low + high)
    longest = int(np.argmax(high - low))
    start[longest], stop[longest] = low[longest], high[longest]
    return start, stop
