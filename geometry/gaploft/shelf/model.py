"""What lies on the shelf: a known tube, and where it is known from."""

import math
import re
from dataclasses import dataclass, field
from datetime import date
from importlib import metadata
from typing import Literal, TypeGuard, get_args

import numpy as np
from numpy.typing import NDArray

from gaploft.surface.shape import Shape

#: A whole tube as it was scanned, or a broken one as it was rebuilt.
Kind = Literal["intact", "rebuilt"]
KINDS: tuple[Kind, ...] = get_args(Kind)

_SHA256 = re.compile(r"[0-9a-f]{64}")


def made_by() -> str:
    """Name and version of this library, as far as it is installed."""
    try:
        return f"gaploft {metadata.version('gaploft')}"
    except metadata.PackageNotFoundError:
        return "gaploft"


def is_name(text: object) -> TypeGuard[str]:
    """Whether a tube can be called so: one line that is not blank."""
    return isinstance(text, str) and bool(text.strip()) and text.isprintable()


@dataclass(frozen=True)
class Provenance:
    """Where a tube is known from.

    Attributes
    ----------
    scan_file, scan_sha256 : name of the scan's file, without folders, and SHA-256 of its bytes
    kind : "intact" as scanned, or "rebuilt" across damage
    noise_mm : standard deviation of one point of the scan
    made : the day it was put on the shelf, as ISO 8601 has it; the caller's word
    note : whatever a person wants to add
    made_by : the program that wrote it

    Raises
    ------
    ValueError
        A field is not what it says here.
    """

    scan_file: str
    scan_sha256: str
    kind: Kind
    noise_mm: float
    made: str
    note: str = ""
    made_by: str = field(default_factory=made_by)

    def __post_init__(self) -> None:
        if not self.scan_file or "/" in self.scan_file or "\\" in self.scan_file:
            raise ValueError(f"scan_file must be a file's name without folders, got {self.scan_file!r}")
        if not _SHA256.fullmatch(self.scan_sha256):
            raise ValueError("scan_sha256 must be 64 hexadecimal digits in lower case")
        if self.kind not in KINDS:
            raise ValueError(f"kind must be one of {', '.join(KINDS)}, got {self.kind!r}")
        if not math.isfinite(self.noise_mm) or self.noise_mm < 0.0:
            raise ValueError(f"noise_mm must be a number from 0 on, got {self.noise_mm}")
        if not isinstance(self.note, str) or not isinstance(self.made_by, str):
            raise ValueError("note and made_by must be texts")
        try:
            date.fromisoformat(self.made)
        except ValueError:
            raise ValueError(f"made must be a day such as 2024-05-17, got {self.made!r}") from None


@dataclass(frozen=True)
class Entry:
    """A tube on the shelf.

    Attributes
    ----------
    name : what the shop calls it
    shape : the tube, in its own frame once it has been on the shelf
    sha256 : of the file that it was read from; empty as long as there is none
    """

    name: str
    shape: Shape
    provenance: Provenance
    sha256: str = ""

    def __post_init__(self) -> None:
        if not is_name(self.name):
            raise ValueError(f"name must be one line of text, got {self.name!r}")


@dataclass(frozen=True)
class Head:
    """The beginning of a tube's file, which is enough to look for it.

    ``descriptor`` (k, c) float32 is that of :mod:`gaploft.shelf.descriptor`.
    """

    name: str
    provenance: Provenance
    descriptor: NDArray[np.float32]
