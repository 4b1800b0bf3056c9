"""One rebuild by this library, measured like the general tools and, beside that, against its own band."""

import time
from dataclasses import asdict
from typing import Any

import numpy as np

import measuring  # noqa: F401  # isort: skip - puts the tests' folders on the path

from error_measure import TruthPoints, surface_error
from gaploft.errors import GeometryError
from gaploft.job import Damage, Job, TargetSettings
from gaploft.pipeline import rebuild
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from lofted import BrokenTube

#: The surface is measured, not its facets: with the default 0.005 mm these would be most of the error.
CHORD_MM = 0.001


def rebuilt(case: BrokenTube) -> tuple[Any, float]:
    """Rebuild one case from arrays; also the seconds that took."""
    source = ScanSource("benchmark", "", "mm", len(case.vertices), len(case.faces))
    damage = Damage(case.from_mm, case.to_mm, case.damaged)
    started = time.perf_counter()
    scan = scan_from_arrays(case.vertices, case.faces, mm_per_unit=1.0, source=source)
    outcome = rebuild(scan, Job(damage, TargetSettings(chord_tolerance_mm=CHORD_MM)))
    return outcome, time.perf_counter() - started


def our_row(case: BrokenTube, truth: TruthPoints) -> dict[str, Any]:
    """Everything measured of one rebuild; a refusal is a row too."""
    try:
        outcome, seconds = rebuilt(case)
    except GeometryError as error:
        return {"verdict": "refused", "note": f"{type(error).__name__}: {error}"}
    row: dict[str, Any] = {"verdict": outcome.verdict, "seconds": seconds}
    target, evidence = outcome.target, outcome.evidence
    if target is None:
        return row | {"note": outcome.warnings[-1].text if outcome.warnings else ""}
    row |= asdict(surface_error(truth, target.vertices_mm, target.triangles))
    row |= _against_band(case, target)
    row |= {
        "blank_rms_mm": evidence.blank_test.rms_mm,
        "seam_step_mm": evidence.seam.step_mm,
        "seam_angle_deg": evidence.seam.angle_deg,
        "diameter_mm": evidence.gap.diameter_mm,
        "note": "; ".join(note.code for note in outcome.warnings),
    }
    bound = getattr(evidence, "bound_rms_mm", None)
    return row if bound is None else row | {"bound_rms_mm": float(bound)}


def _against_band(case: BrokenTube, target: Any) -> dict[str, float]:
    """Vertices of the rebuilt zone, distrusted rims included, against the original and the claimed band.

    Each vertex counts by the area about it.
    """
    zone = target.zone == 1
    weight = _areas(target)[zone]
    error, band = np.abs(case.truth_error(target.vertices_mm[zone])), target.band95_mm[zone]
    return {
        "in_band95": float(np.average(error <= band, weights=weight)),
        "band95_mean_mm": float(np.average(band, weights=weight)),
        "band95_median_mm": float(np.median(band)),
        "zone_rms_mm": float(np.sqrt(np.average(error**2, weights=weight))),
        "zone_max_mm": float(error.max()),
    }


def _areas(target: Any) -> np.ndarray:
    """A third of the area of the facets around each vertex, mm2."""
    corner = target.vertices_mm[target.triangles]
    area = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1) / 6.0
    return np.bincount(
        target.triangles.ravel(), weights=np.repeat(area, 3), minlength=len(target.vertices_mm)
    )
