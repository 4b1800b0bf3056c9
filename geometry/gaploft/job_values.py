"""Values of a job file: each is checked for type and range, and refused in one sentence."""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError

Table = Mapping[str, Any]


def one_of(table: Table, key: str, where: str, usual: str, words: tuple[str, ...]) -> str:
    """One of several words."""
    value = table.get(key, usual)
    if value not in words:
        allowed = " or ".join(f'"{word}"' for word in words)
        raise InputError(f"{key} in {where} is {value!r}, but must be {allowed}")
    return str(value)


def millimetres(table: Table, key: str, where: str, usual: float, *, at_least: float = 0.0) -> float:
    """A length in mm."""
    value = table.get(key, usual)
    if not is_number(value):
        raise InputError(f"{key} in {where} is {value!r}, but must be a number of millimetres")
    if value < at_least:
        raise InputError(f"{key} in {where} is {value} mm, but must be {at_least:g} mm or more")
    return float(value)


def positive(table: Table, key: str, where: str, of: str, *, most: float = math.inf) -> float | None:
    """A number above 0 and at most ``most``, None where the key is not there; ``of`` says what it counts."""
    value = table.get(key)
    if value is None:
        return None
    if not is_number(value) or not 0.0 < value <= most:
        limit = "" if math.isinf(most) else f" and at most {most:g}"
        raise InputError(f"{key} in {where} is {value!r}, but must be {of} above 0{limit}")
    return float(value)


def point(table: Table, key: str, where: str) -> NDArray[np.float64]:
    """Three coordinates."""
    value = table[key]
    if not is_row(value, 3):
        raise InputError(f"{key} in {where} is {value!r}, but must be three numbers [x, y, z]")
    return np.array(value, dtype=np.float64)


def points(table: Table, key: str, where: str, *, at_least: int) -> NDArray[np.float64] | None:
    """Rows of three coordinates, (n, 3), or None where the key is not there."""
    value = table.get(key)
    if value is None:
        return None
    rows = value if isinstance(value, list) else []
    if len(rows) < at_least or not all(is_row(row, 3) for row in rows):
        raise InputError(f"{key} in {where} must be {at_least} or more points [x, y, z] in a list")
    return np.array(rows, dtype=np.float64)


def text(table: Table, key: str, where: str) -> str:
    """A text that says something."""
    value = table[key]
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{key} in {where} is {value!r}, but must be a text in quotes")
    return value


def is_row(value: object, *counts: int) -> bool:
    """Whether this is a list of so many numbers."""
    return isinstance(value, list) and len(value) in counts and all(is_number(number) for number in value)


def is_number(value: object) -> bool:
    """True for a finite number; TOML has nan, inf and true, which are none here."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
