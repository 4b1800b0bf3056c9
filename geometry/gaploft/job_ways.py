"""Tables of a job file that name other ways to the lost surface: donor, mirror, shelf and source."""

from pathlib import Path
from typing import cast

from gaploft.errors import InputError
from gaploft.job import MM_PER_UNIT
from gaploft.job_sources import (
    CHOICES,
    USUAL_LIMIT_MM,
    WAYS,
    Choice,
    DonorSettings,
    MirrorSettings,
    Point,
    Region,
    ShelfSettings,
    WayName,
    WaySettings,
)
from gaploft.job_values import Table, is_number, is_row, positive, text

#: Keys of each table.
KEYS = {
    "donor": ("file", "unit", "mirrored", "near", "mark", "limit"),
    "mirror": ("plane", "near", "limit"),
    "shelf": ("folder", "entry", "mirrored", "limit", "save", "search"),
    "source": ("use", "regions"),
}


def ways(tables: Table, file: str, folder: Path, mm_per_unit: float) -> WaySettings:
    """The ways that a job file asks for; places are in the unit of the scan that they lie in."""
    donor, mirror, shelf, source = (tables.get(name) for name in ("donor", "mirror", "shelf", "source"))
    found = WaySettings(
        donor=None if donor is None else _donor(donor, f"{file} [donor]", mm_per_unit),
        mirror=None if mirror is None else _mirror(mirror, f"{file} [mirror]", mm_per_unit),
        shelf=None if shelf is None else _shelf(shelf, f"{file} [shelf]", folder),
    )
    if source is None:
        return found
    where = f"{file} [source]"
    use = None if "use" not in source else _word(source["use"], CHOICES, f"use in {where}")
    regions = _regions(source.get("regions", []), where)
    settings = WaySettings(found.donor, found.mirror, found.shelf, cast("Choice | None", use), regions)
    for name in {settings.use, *(region.use for region in regions)} - {None, "best", "loft"}:
        if name not in settings.others:
            raise InputError(f"{where} uses {name!r}, and {file} has no [{name}]: add it, or use another way")
    return settings


def donor_file(table: Table, file: str, folder: Path) -> tuple[Path, str]:
    """Path and unit of the donor's scan."""
    where = f"{file} [donor]"
    missing = [key for key in ("file", "unit") if key not in table]
    if missing:
        raise InputError(f"{where} lacks {' and '.join(missing)}: name the spare section's scan and its unit")
    unit = text(table, "unit", where)
    if unit not in MM_PER_UNIT:
        raise InputError(f"unit in {where} is {unit!r}, but must be one of {', '.join(MM_PER_UNIT)}")
    return folder / text(table, "file", where), unit


def _donor(table: Table, where: str, mm_per_unit: float) -> DonorSettings:
    own = MM_PER_UNIT.get(str(table.get("unit")), 1.0)
    mark = table.get("mark")
    if mark is not None and not (
        isinstance(mark, list) and len(mark) == 2 and all(is_row(p, 3) for p in mark)
    ):
        raise InputError(
            f"mark in {where} must be one place on both tubes, [[x, y, z], [x, y, z]]: first in the broken "
            "scan, then in the donor's"
        )
    return DonorSettings(
        mirrored=_flag(table, "mirrored", where),
        near_mm=_near(table, where, own),
        mark_mm=None if mark is None else (_point(mark[0], mm_per_unit), _point(mark[1], own)),
        limit_mm=_limit(table, where),
    )


def _mirror(table: Table, where: str, mm_per_unit: float) -> MirrorSettings:
    plane = table.get("plane")
    if plane is not None and not (
        isinstance(plane, list) and len(plane) == 2 and all(is_row(p, 3) for p in plane) and any(plane[1])
    ):
        raise InputError(f"plane in {where} must be a point and a normal, [[x, y, z], [x, y, z]]")
    return MirrorSettings(
        plane_mm=None if plane is None else (_point(plane[0], mm_per_unit), _point(plane[1], 1.0)),
        near_mm=_near(table, where, mm_per_unit),
        limit_mm=_limit(table, where),
    )


def _shelf(table: Table, where: str, folder: Path) -> ShelfSettings:
    if "folder" not in table:
        raise InputError(f"{where} lacks folder: name the folder that your tubes lie in")
    return ShelfSettings(
        folder=folder / text(table, "folder", where),
        entry=text(table, "entry", where) if "entry" in table else None,
        mirrored=_flag(table, "mirrored", where),
        limit_mm=_limit(table, where),
        save_as=text(table, "save", where) if "save" in table else None,
        search=_flag(table, "search", where, usual=True),
    )


def _regions(value: object, where: str) -> tuple[Region, ...]:
    rows = value if isinstance(value, list) else [None]
    found = []
    for row in rows:
        if not (isinstance(row, list) and len(row) == 3 and is_number(row[0]) and is_number(row[1])):
            raise InputError(f'regions in {where} must be rows [from, to, "way"], stations in millimetres')
        if not row[0] < row[1]:
            raise InputError(
                f"a region in {where} runs from {row[0]:g} to {row[1]:g} mm: give the lower first"
            )
        name = _word(row[2], WAYS, f"the way of a region in {where}")
        found.append(Region(float(row[0]), float(row[1]), cast(WayName, name)))
    return tuple(found)


def _word(value: object, words: tuple[str, ...], what: str) -> str:
    if value not in words:
        raise InputError(f"{what} is {value!r}, but must be " + " or ".join(f'"{word}"' for word in words))
    return str(value)


def _flag(table: Table, key: str, where: str, *, usual: bool = False) -> bool:
    value = table.get(key, usual)
    if not isinstance(value, bool):
        raise InputError(f"{key} in {where} is {value!r}, but must be true or false")
    return value


def _near(table: Table, where: str, mm_per_unit: float) -> Point | None:
    if "near" not in table:
        return None
    if not is_row(table["near"], 3):
        raise InputError(f"near in {where} is {table['near']!r}, but must be three numbers [x, y, z]")
    return _point(table["near"], mm_per_unit)


def _point(row: list[float], mm_per_unit: float) -> Point:
    x, y, z = (mm_per_unit * float(number) for number in row)
    return x, y, z


def _limit(table: Table, where: str) -> float:
    value = positive(table, "limit", where, "a number of millimetres", most=5.0)
    return USUAL_LIMIT_MM if value is None else value
