"""A strip along the whole tube that the scanner never saw: bridged, not drawn from the noise of its edges.

Truth: a tube lofted by an independent CAD kernel (Open CASCADE Technology).
"""

import numpy as np

from gaploft.job import Damage, Job
from gaploft.pipeline import rebuild
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from lofted import broken_tube


def test_unseen_strip_of_a_round_tube_is_bridged() -> None:
    case = broken_tube("round", 40.0, 1, length_mm=220.0, edge_mm=0.8, strip_deg=60.0)
    source = ScanSource("lofted", "", "mm", len(case.vertices), len(case.faces))
    scan = scan_from_arrays(case.vertices, case.faces, mm_per_unit=1.0, source=source)
    made = rebuild(scan, Job(Damage(case.from_mm, case.to_mm)))
    assert made.target is not None
    error = case.truth_error(made.target.vertices_mm[made.target.zone == 1])
    assert np.sqrt(np.mean(error**2)) <= 0.02
    assert np.abs(error).max() <= 0.08
