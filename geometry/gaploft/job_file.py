"""Read a job from its TOML file: types, names, ranges and units are checked here, once."""

import difflib
import tomllib
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

from gaploft import job_patch_file, job_shop, job_ways
from gaploft.errors import InputError
from gaploft.job import FORMATS, MM_PER_UNIT, HalvesSettings, Job, TargetSettings
from gaploft.job_values import Table, millimetres, one_of, point, text
from gaploft.scan.read import read_bytes

_KEYS = {
    "scan": ("file", "unit"),
    "damage": ("from", "to", "mask", "zero"),
    "target": ("chord_tolerance", "overlap", "formats"),
    "layers": ("paint", "filler", "cover", "other", "outside", "tight"),
    "halves": ("mode", "move"),
    "wall": ("thickness", "share"),
    "bed": ("ratio", "step", "cut_back", "lap"),
    "ply": ("name", "count", "weight", "density", "fraction", "thickness", "angle"),
    "reach": ("tool_radius",),
    "frame": ("points", "spheres", "radius", "at"),
    **job_ways.KEYS,
    **job_patch_file.KEYS,
}
#: Tables that there may be several of.
_LISTS = ("ply", "crease")
#: Finer facets than this only make the file grow: it is well below the spacing of a good scan's noise.
_FINEST_CHORD_MM = 1e-4


@dataclass(frozen=True)
class JobFile:
    """What a job file says: which scan, in which unit, and what to do with it.

    ``inputs`` are all files the job reads, so that no output is written over one of them; ``donor`` is the
    file of a spare section's scan and its unit.
    """

    scan_path: Path
    unit: str
    job: Job
    inputs: tuple[Path, ...] = ()
    donor: tuple[Path, str] | None = None


def read_job(path: str | PathLike[str]) -> JobFile:
    """Read and check a job file.

    Paths in it are relative to the file. Points are converted to millimetres by the scan's unit.

    Raises
    ------
    InputError
        The file is missing or no TOML, or a key is missing, unknown, of the wrong type or out of range.
    """
    path = Path(path)
    tables = _parse(path)
    file = path.name
    _check_names(tables, file)
    scan = _table(tables, "scan", file, needed=("file", "unit"))
    damage = _table(tables, "damage", file)
    unit = text(scan, "unit", f"{file} [scan]")
    if unit not in MM_PER_UNIT:
        raise InputError(f"unit in {file} [scan] is {unit!r}, but must be one of {', '.join(MM_PER_UNIT)}")
    scan_path = path.parent / text(scan, "file", f"{file} [scan]")
    mask_path = path.parent / text(damage, "mask", f"{file} [damage]") if "mask" in damage else None
    mm = MM_PER_UNIT[unit]
    plies = job_shop.plies(tables.get("ply", []), file)
    target = _table(tables, "target", file)
    patch = job_patch_file.patch(tables, file, mm)
    job = Job(
        damage=job_patch_file.damage(damage, patch, mm, mask_path, f"{file} [damage]"),
        target=_target(target, f"{file} [target]"),
        layers=job_shop.layers(_table(tables, "layers", file), f"{file} [layers]", mm),
        halves=_halves(_table(tables, "halves", file), f"{file} [halves]"),
        wall=job_shop.wall(tables.get("wall"), f"{file} [wall]", mm),
        bed=job_shop.bed(tables.get("bed"), plies, f"{file} [bed]"),
        reach=job_shop.reach(tables.get("reach"), f"{file} [reach]"),
        frame=job_shop.frame(tables.get("frame"), f"{file} [frame]", mm),
        formats=_formats(target, f"{file} [target]"),
        zero_mm=mm * point(damage, "zero", f"{file} [damage]") if "zero" in damage else None,
        ways=job_ways.ways(tables, file, path.parent, mm),
        patch=patch,
    )
    if job.bed is not None and job.wall is None:
        raise InputError(
            f"{file} has a [bed], which ends at the inner surface: add [wall] with its thickness"
        )
    if plies and job.bed is None:
        raise InputError(f"{file} has plies, and no [bed] to lay them in: add [bed], or remove them")
    donor = job_ways.donor_file(tables["donor"], file, path.parent) if "donor" in tables else None
    inputs = [path, scan_path]
    inputs += [] if mask_path is None else [mask_path]
    inputs += [] if donor is None else [donor[0]]
    return JobFile(scan_path=scan_path, unit=unit, job=job, inputs=tuple(inputs), donor=donor)


def _parse(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(read_bytes(path).decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise InputError(f"{path.name} is not a text file; a job file is TOML in UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        reason = str(error)
        raise InputError(f"{path.name} is not valid TOML: {reason[:1].lower()}{reason[1:]}") from None


def _check_names(tables: Table, file: str) -> None:
    """Refuse tables and keys that don't exist, since a misspelt one would silently do nothing."""
    for name, table in tables.items():
        if name not in _KEYS:
            raise InputError(
                f"{file} has an unknown entry {name!r}{_hint(name, [f'[{key}]' for key in _KEYS])}"
            )
        if name in _LISTS and isinstance(table, list) and all(isinstance(part, dict) for part in table):
            parts = table
        elif isinstance(table, dict) and name not in _LISTS:
            parts = [table]
        else:
            mark = f"[[{name}]]" if name in _LISTS else f"[{name}]"
            raise InputError(f"{name} in {file} must be a table: write {mark} on a line of its own")
        for key in (key for part in parts for key in part):
            if key not in _KEYS[name]:
                raise InputError(f"{file} [{name}] has an unknown key {key!r}{_hint(key, _KEYS[name])}")


def _hint(name: str, known: "tuple[str, ...] | list[str]") -> str:
    nearest = difflib.get_close_matches(name.lower(), known, n=1, cutoff=0.6)
    return f": did you mean {nearest[0]}?" if nearest else f"; it can have {', '.join(known)}"


def _table(tables: Table, name: str, file: str, *, needed: tuple[str, ...] = ()) -> Table:
    table: Table = tables.get(name, {})
    missing = [key for key in needed if key not in table]
    if missing == ["unit"]:
        raise InputError(
            f'{file} [scan] has no unit, and mesh files don\'t carry one: add unit = "mm" (or cm, m, in)'
        )
    if missing:
        raise InputError(
            f"{file} [{name}] lacks {' and '.join(missing)}: add {'it' if len(missing) == 1 else 'them'}"
        )
    return table


def _target(table: Table, where: str) -> TargetSettings:
    usual = TargetSettings()
    return TargetSettings(
        chord_tolerance_mm=millimetres(
            table, "chord_tolerance", where, usual.chord_tolerance_mm, at_least=_FINEST_CHORD_MM
        ),
        overlap_mm=millimetres(table, "overlap", where, usual.overlap_mm),
    )


def _formats(table: Table, where: str) -> tuple[str, ...]:
    value = table.get("formats", [])
    if not isinstance(value, list) or any(name not in FORMATS for name in value):
        known = " and ".join(f'"{name}"' for name in FORMATS)
        raise InputError(f"formats in {where} is {value!r}, but can hold {known}; STL and PLY always come")
    return tuple(name for name in FORMATS if name in value)


def _halves(table: Table, where: str) -> HalvesSettings:
    usual = HalvesSettings()
    mode = one_of(table, "mode", where, usual.mode, ("hold", "reseat"))
    move = one_of(table, "move", where, usual.move, ("to", "from"))
    return HalvesSettings("reseat" if mode == "reseat" else "hold", "from" if move == "from" else "to")
