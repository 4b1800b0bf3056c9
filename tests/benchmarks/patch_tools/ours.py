"""One patch by this library, from arrays, as the benchmark measures it."""

from typing import Any

import numpy as np

from gaploft.errors import EvidenceError
from gaploft.job import Damage, Job, TargetSettings
from gaploft.job_patch import PatchSettings
from gaploft.pipeline import rebuild
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from junctions import JunctionCase

#: The surface is measured, not its facets: with the default 0.005 mm these would be part of the error.
CHORD_MM = 0.001


def ours(case: JunctionCase) -> dict[str, Any]:
    """Vertices and faces (n, 3), normals, band95_mm and zone (n,), verdict, seam_step_mm, seam_angle_deg.

    Raises the library's own errors when it refuses, ``EvidenceError`` also where it gives no target.
    """
    source = ScanSource("benchmark", "", "mm", len(case.vertices_mm), len(case.faces))
    scan = scan_from_arrays(case.vertices_mm, case.faces, mm_per_unit=1.0, source=source)
    nowhere = np.full(3, np.nan)
    job = Job(
        Damage(nowhere, nowhere, case.damaged),
        TargetSettings(chord_tolerance_mm=CHORD_MM),
        patch=PatchSettings(use="always"),
    )
    outcome = rebuild(scan, job)
    target, evidence = outcome.target, outcome.evidence
    if target is None or evidence is None:
        raise EvidenceError(outcome.warnings[-1].text)
    return {
        "vertices": target.vertices_mm,
        "faces": target.triangles,
        "normals": target.normals,
        "band95_mm": target.band95_mm,
        "zone": target.zone,
        "verdict": outcome.verdict,
        "seam_step_mm": evidence.seam.step_mm,
        "seam_angle_deg": evidence.seam.angle_deg,
        "note": "; ".join(note.code for note in outcome.warnings),
    }
