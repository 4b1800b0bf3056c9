"""Write the stock map: the target's mesh with what stands above it, as binary PLY."""

import hashlib
from pathlib import Path

from gaploft.files.ply_table import coordinates, write_table
from gaploft.stock.model import LABELS, Stock, TargetSkin


def write_stock_ply(path: Path, target: TargetSkin, stock: Stock) -> str:
    """Write vertices, normals and stock in mm and the triangles of a target; return the file's SHA-256.

    Raises
    ------
    InputError
        The file can't be written, or doesn't hold the map when read back.
    """
    comments = (
        "gaploft stock map over a machining target, unit mm, frame of the target",
        "stock: distance of the part from the target, mm, positive above it, nan where unseen",
        "label: " + ", ".join(f"{number} {name}" for number, name in enumerate(LABELS)),
    )
    numbers = {
        **coordinates(target.vertices_mm, target.normals),
        "stock": stock.stock_mm,
        "seen": stock.seen.astype("u1"),
        "label": stock.label,
    }
    return hashlib.sha256(write_table(path, comments, numbers, target.faces)).hexdigest()
