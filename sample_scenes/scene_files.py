"""Writing the files of a scene: the same bytes on every machine."""

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from irregular import Faces, Floats


def write_json(path: Path, content: dict[str, Any]) -> None:
    """Write readable JSON with the same line ends everywhere."""
    path.write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8", newline="\n")


def write_stl(path: Path, points_mm: Floats, faces: Faces, *, mm_per_unit: float = 1.0) -> dict[str, Any]:
    """Write a binary STL and return its counts and checksum.

    Points are put on a grid of 0.1 micron first, which takes out the last digits, in which processors
    differ.
    """
    points = np.round(points_mm, 4) / mm_per_unit
    data = trimesh.Trimesh(points, faces, process=False).export(file_type="stl")
    path.write_bytes(data)
    return {"faces": len(faces), "sha256": hashlib.sha256(data).hexdigest()}


def row(values: Floats, digits: int = 1) -> str:
    """Numbers as a TOML array."""
    return "[" + ", ".join(f"{value:.{digits}f}" for value in values) + "]"


def job_text(title: str, ends_mm: Floats, way: str) -> str:
    """A job file for a scan in mm: the two ends of the damage, and the table of where the shape is from."""
    return (
        f"# {title} (invented, see ../README.md)\n"
        '[scan]\nfile = "scan.stl"\nunit = "mm"\n\n'
        f"[damage]\nfrom = {row(ends_mm[0])}\nto = {row(ends_mm[1])}\n\n"
        f"[target]\noverlap = 10.0\n\n{way}"
    )
