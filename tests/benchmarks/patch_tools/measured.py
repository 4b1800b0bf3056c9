"""What a case looks like to the tools, and how their surfaces and ours are measured on it."""

import contextlib
import time
from dataclasses import asdict
from typing import Any

import numpy as np

import measuring  # noqa: F401  # isort: skip - puts the tests' folders on the path

from numpy.typing import NDArray

from error_measure import TruthPoints, surface_error
from gaploft.errors import GeometryError
from junctions import JunctionCase, off

from . import NoAnswer, PatchScan, PatchTool, Sheet
from .filling import filled
from .ours import ours

#: An answer is sought so far along the normals, mm: short of the other wall of the thinnest tube.
_REACH_MM = 10.0


def as_scan(case: JunctionCase, margin_mm: float) -> PatchScan:
    """What the general tools are given of a case."""
    marked = np.zeros(len(case.vertices_mm), dtype=bool)
    marked[case.damaged] = True
    return PatchScan(Sheet(case.vertices_mm, case.faces.astype(np.int64)), marked, margin_mm)


def as_truth(case: JunctionCase) -> TruthPoints:
    """The points of a case that errors are measured at."""
    reach = np.full(len(case.patch_points_mm), _REACH_MM)
    return TruthPoints(case.patch_points_mm, case.patch_normals, reach)


def seconds_of_filling(scan: PatchScan) -> float:
    """How long it takes to fill the hole, which is done once for all tools that start from there."""
    started = time.perf_counter()
    with contextlib.suppress(NoAnswer):  # each of the tools will say so
        filled(scan)
    return time.perf_counter() - started


def tool_row(tool: PatchTool, scan: PatchScan, truth: TruthPoints, filling_s: float) -> dict[str, Any]:
    """One general tool on one scan; whatever it raises is a note, since it is its own affair."""
    started = time.perf_counter()
    try:
        sheet = tool.rebuild(scan)
    except Exception as error:  # noqa: BLE001 - libraries of others
        return {"note": f"{type(error).__name__}: {error}"}
    seconds = time.perf_counter() - started + (filling_s if tool.fills else 0.0)
    error = surface_error(truth, sheet.vertices, sheet.faces)
    note = "" if error.bridged else f"does not close the patch: covers {error.covered:.0%}"
    return {"seconds": seconds, **asdict(error), "note": note}


def our_row(case: JunctionCase, truth: TruthPoints) -> dict[str, Any]:
    """Everything measured of our patch; a refusal is a row too."""
    started = time.perf_counter()
    try:
        made = ours(case)
    except GeometryError as error:
        return {"verdict": "refused", "note": f"{type(error).__name__}: {error}"}
    seconds = time.perf_counter() - started
    error = surface_error(truth, made["vertices"], made["faces"])
    row = {"seconds": seconds, **asdict(error), **_against_band(case, made)}
    return row | {name: made[name] for name in ("verdict", "seam_step_mm", "seam_angle_deg", "note")}


def _against_band(case: JunctionCase, made: dict[str, Any]) -> dict[str, float]:
    """Vertices of the rebuilt zone against the original and the claimed band, each by the area about it."""
    zone = made["zone"] == 1
    weight = _areas(made["vertices"], made["faces"])[zone]
    error, band = np.abs(off(case, made["vertices"][zone])), made["band95_mm"][zone]
    return {
        "in_band95": float(np.average(error <= band, weights=weight)),
        "band95_mean_mm": float(np.average(band, weights=weight)),
        "zone_rms_mm": float(np.sqrt(np.average(error**2, weights=weight))),
        "zone_max_mm": float(error.max()),
    }


def _areas(vertices: NDArray[np.float64], faces: NDArray[np.integer]) -> NDArray[np.float64]:
    """A third of the area of the facets around each vertex, mm2."""
    corner = vertices[faces]
    area = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1) / 6.0
    return np.bincount(faces.ravel(), weights=np.repeat(area, 3), minlength=len(vertices))
