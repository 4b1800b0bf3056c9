"""Read a job from its TOML file: types, names, ranges and units are checked here, once."""

import difflib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.job import MM_PER_UNIT, Damage, HalvesSettings, Job, Layers, TargetSettings
from gaploft.scan.mask import read_mask
from gaploft.scan.read import read_bytes

_KEYS = {
    "scan": ("file", "unit"),
    "damage": ("from", "to", "mask"),
    "target": ("chord_tolerance", "overlap"),
    "layers": ("paint", "cover"),
    "halves": ("mode", "move"),
    "donor": ("file", "unit", "mirrored"),
}
#: Finer facets than this only make the file grow: it is well below the spacing of a good scan's noise.
_FINEST_CHORD_MM = 1e-4
_SAME_POINT_MM = 0.01

Table = Mapping[str, Any]


@dataclass(frozen=True)
class JobFile:
    """What a job file says: which scan, in which unit, and what to do with it.

    ``inputs`` are all files the job reads, so that no output is written over one of them.
    """

    scan_path: Path
    unit: str
    job: Job
    inputs: tuple[Path, ...] = ()


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
    if "donor" in tables:
        raise InputError(
            f"{file} names a donor, and this version can't take the shape from one yet: remove [donor]"
        )
    scan = _table(tables, "scan", file, needed=("file", "unit"))
    damage = _table(tables, "damage", file, needed=("from", "to"))
    unit = _text(scan, "unit", f"{file} [scan]")
    if unit not in MM_PER_UNIT:
        raise InputError(f"unit in {file} [scan] is {unit!r}, but must be one of {', '.join(MM_PER_UNIT)}")
    scan_path = path.parent / _text(scan, "file", f"{file} [scan]")
    mask_path = path.parent / _text(damage, "mask", f"{file} [damage]") if "mask" in damage else None
    job = Job(
        damage=_damage(damage, MM_PER_UNIT[unit], mask_path, f"{file} [damage]"),
        target=_target(_table(tables, "target", file), f"{file} [target]"),
        layers=_layers(_table(tables, "layers", file), f"{file} [layers]"),
        halves=_halves(_table(tables, "halves", file), f"{file} [halves]"),
    )
    inputs = (path, scan_path) if mask_path is None else (path, scan_path, mask_path)
    return JobFile(scan_path=scan_path, unit=unit, job=job, inputs=inputs)


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
        if not isinstance(table, dict):
            raise InputError(f"{name} in {file} must be a table: write [{name}] on a line of its own")
        for key in table:
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


def _damage(table: Table, mm_per_unit: float, mask_path: Path | None, where: str) -> Damage:
    from_mm = mm_per_unit * _point(table, "from", where)
    to_mm = mm_per_unit * _point(table, "to", where)
    if np.linalg.norm(to_mm - from_mm) < _SAME_POINT_MM:
        raise InputError(f"from and to in {where} are the same point: give the two ends of the damage")
    return Damage(from_mm, to_mm, None if mask_path is None else read_mask(mask_path))


def _target(table: Table, where: str) -> TargetSettings:
    usual = TargetSettings()
    return TargetSettings(
        chord_tolerance_mm=_number(
            table, "chord_tolerance", where, usual.chord_tolerance_mm, at_least=_FINEST_CHORD_MM
        ),
        overlap_mm=_number(table, "overlap", where, usual.overlap_mm),
    )


def _layers(table: Table, where: str) -> Layers:
    return Layers(paint_mm=_number(table, "paint", where, 0.0), cover_mm=_number(table, "cover", where, 0.0))


def _halves(table: Table, where: str) -> HalvesSettings:
    usual = HalvesSettings()
    mode = _one_of(table, "mode", where, usual.mode, ("hold", "reseat"))
    move = _one_of(table, "move", where, usual.move, ("to", "from"))
    return HalvesSettings("reseat" if mode == "reseat" else "hold", "from" if move == "from" else "to")


def _one_of(table: Table, key: str, where: str, usual: str, words: tuple[str, ...]) -> str:
    value = table.get(key, usual)
    if value not in words:
        allowed = " or ".join(f'"{word}"' for word in words)
        raise InputError(f"{key} in {where} is {value!r}, but must be {allowed}")
    return str(value)


def _number(table: Table, key: str, where: str, usual: float, *, at_least: float = 0.0) -> float:
    value = table.get(key, usual)
    if not _is_number(value):
        raise InputError(f"{key} in {where} is {value!r}, but must be a number of millimetres")
    if value < at_least:
        raise InputError(f"{key} in {where} is {value} mm, but must be {at_least:g} mm or more")
    return float(value)


def _point(table: Table, key: str, where: str) -> NDArray[np.float64]:
    value = table[key]
    if not (isinstance(value, list) and len(value) == 3 and all(_is_number(number) for number in value)):
        raise InputError(f"{key} in {where} is {value!r}, but must be three numbers [x, y, z]")
    return np.array(value, dtype=np.float64)


def _text(table: Table, key: str, where: str) -> str:
    value = table[key]
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{key} in {where} is {value!r}, but must be a text in quotes")
    return value


def _is_number(value: object) -> bool:
    """True for a finite number; TOML has nan, inf and true, which are none here."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
