"""A small dented sheet inside Blender, no tube at all, and its patch: rebuilt once, and kept in a file."""

import importlib
from functools import cache
from pathlib import Path

import bpy  # noqa: TID251 - only the extension's tests import this
import numpy as np

from blender_scan import add_scan

HALF_MM, STEP_MM, DENT_MM, DEEP_MM, NOISE_MM = 18.0, 0.7, 4.0, 1.2, 0.02
#: The sheet is x^2/a - y^2/b high.
BENDS_MM = (70.0, 50.0)


def height(x, y):
    """Height of the sheet as it was, mm (n,)."""
    return x**2 / BENDS_MM[0] - y**2 / BENDS_MM[1]


def off(points):
    """How far points (n, 3) lie above the sheet as it was along its normal, mm; to first order."""
    x, y, z = points.T
    steep = np.sqrt(1.0 + (2 * x / BENDS_MM[0]) ** 2 + (2 * y / BENDS_MM[1]) ** 2)
    return (z - height(x, y)) / steep


def sheet():
    """Vertices in mm, triangles, and which vertices are marked: the dent and a little more."""
    n = round(2 * HALF_MM / STEP_MM) + 1
    rng = np.random.default_rng(3)
    flat = np.stack(np.meshgrid(*2 * [np.linspace(-HALF_MM, HALF_MM, n)], indexing="ij"), -1).reshape(-1, 2)
    inner = (np.abs(flat) < HALF_MM - STEP_MM / 2).all(axis=1)
    flat[inner] += rng.uniform(-0.15, 0.15, (inner.sum(), 2)) * STEP_MM
    away = np.hypot(*flat.T)
    dent = np.where(away < DENT_MM, np.cos(0.5 * np.pi * np.minimum(away / DENT_MM, 1.0)) ** 2, 0.0)
    z = height(*flat.T) + rng.normal(0.0, NOISE_MM, len(flat)) - DEEP_MM * dent
    k = np.arange(n * n).reshape(n, n)
    a, b, c, d = k[:-1, :-1].ravel(), k[1:, :-1].ravel(), k[1:, 1:].ravel(), k[:-1, 1:].ravel()
    triangles = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return np.column_stack([flat, z]), triangles, away < DENT_MM + 0.3


def marked_sheet(use="ALWAYS"):
    """The sheet as the scan, its dent painted and marked: the scan."""
    vertices, triangles, mask = sheet()
    scan = add_scan(vertices, triangles)
    bpy.context.scene.gaploft.add_damage().patch.use = use
    scan.data.attributes.new(".sculpt_mask", "FLOAT", "POINT").data.foreach_set("value", mask.astype("f4"))
    bpy.ops.gaploft.mark_damage(way="PAINTED")
    return scan


def rebuilt_sheet():
    """The sheet, marked and rebuilt, out of a file saved by the first call: its damage.

    The rebuild is at hand, as if it had been done just now.
    """
    file, kept = _rebuilt_file()
    bpy.ops.wm.open_mainfile(filepath=str(file))
    _kept().clear()
    _kept().update(kept)
    return bpy.context.scene.gaploft.damage


def _kept():
    """Rebuilds that the extension has at hand."""
    return importlib.import_module("bl_ext.user_default.gaploft.task")._KEPT


@cache
def _rebuilt_file():
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    marked_sheet()
    bpy.ops.gaploft.rebuild()
    file = Path(bpy.utils.user_resource("DATAFILES", path="tests", create=True)) / "rebuilt_sheet.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(file))
    return file, dict(_kept())
