"""Halves that moved are found, halves that did not are left alone.

Truth: tubes lofted by an independent CAD kernel (Open CASCADE Technology), one half moved by a known amount.
"""

import numpy as np
import pytest

from gaploft.evidence.assess import assess
from gaploft.evidence.model import Halves
from gaploft.evidence.trusted_fit import fit_tube
from gaploft.job import Damage
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from gaploft.tube.isolate import isolate_tube
from lofted import broken_tube


def halves_of(kind: str, seed: int, **moved: float) -> Halves:
    """What the evidence says of the halves of a lofted tube with a 40 mm gap."""
    case = broken_tube(kind, 40.0, seed, length_mm=200.0, edge_mm=0.8, rim="crushed", **moved)
    source = ScanSource("lofted", "", "mm", len(case.vertices), len(case.faces))
    scan = scan_from_arrays(case.vertices, case.faces, mm_per_unit=1.0, source=source)
    fit = fit_tube(isolate_tube(scan, Damage(case.from_mm, case.to_mm)))
    return assess(fit, overlap_mm=10.0).evidence.halves


@pytest.mark.parametrize("kind", ["round", "oval"])
def test_halves_that_hold_are_not_called_moved(kind: str) -> None:
    assert not halves_of(kind, 4).significant


def test_moved_half_is_found_with_its_offset() -> None:
    halves = halves_of("round", 4, offset_mm=0.5, angle_deg=0.5)
    assert halves.significant
    # Noise of 0.02 mm over two flanks of 80 mm leaves the offset known to some hundredths of a millimetre.
    assert halves.offset_mm == pytest.approx(0.5, abs=0.1)
    # An even bend is free in the model and takes part of a tilt: the angle is a lower bound.
    assert 0.05 < halves.angle_deg < 0.6


def test_turn_of_a_round_tube_is_not_guessed() -> None:
    assert halves_of("round", 5, twist_deg=2.0).twist_deg < 0.05


def test_report_numbers_are_finite() -> None:
    halves = halves_of("oval", 6)
    assert np.isfinite([halves.offset_mm, halves.angle_deg, halves.twist_deg]).all()
