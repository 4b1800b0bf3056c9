"""The lost surface out of a spare section: gaps of four diameters against the truth of a CAD kernel.

The truth is a surface lofted by Open CASCADE, as in ``test_rebuild_lofted.py``; broken tube and donor are
scanned with noise of 0.02 mm of their own. The limits are the project's aims: 0.02 mm rms, and a 95 % band
that holds for 85 % of the points of one and the same rebuild, whose errors go together; for 80 %, as there,
where half as much is judged or the donor is of another size.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pytest

from donors import donor_of
from gaploft.donor.carried import tube_on_shape
from gaploft.donor.flanks import flanks_of
from gaploft.donor.place import place
from gaploft.evidence.assess import assess
from gaploft.evidence.intact import fit_intact
from gaploft.evidence.reseat import HalvesFit, fit_halves
from gaploft.job import Damage, HalvesSettings
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from gaploft.surface.basis import TURN_RAD
from gaploft.tube.find import find_tubes
from gaploft.tube.isolate import isolate_tube
from lofted import broken_tube

RMS_MM, INSIDE, INSIDE_AT_LEAST = 0.02, 0.85, 0.80
DIAMETERS = 4.0
SOURCE = ScanSource("lofted", "", "mm", 0, 0)
#: Mean diameter and triangles, mm.
SIZES = {"hourglass": (27.0, 1.5), "s_stay": (14.0, 1.0), "oval": (32.5, 1.5)}
FLANK_MM = 90.0


class Measured(NamedTuple):
    """Error of the rebuilt surface in the gap against the CAD surface, mm, and the share within its band."""

    rms_mm: float
    largest_mm: float
    inside: float
    band_median_mm: float


@lru_cache(maxsize=4)
def broken(kind, **faults):
    diameter, edge = SIZES[kind]
    gap = DIAMETERS * diameter
    return broken_tube(
        kind, gap, 1, length_mm=gap + 2.0 * FLANK_MM, edge_mm=edge, noise_mm=0.02, rim="crushed", **faults
    )


def tube_of(case):
    scan = scan_from_arrays(case.vertices, case.faces, mm_per_unit=1.0, source=SOURCE)
    return isolate_tube(scan, Damage(case.from_mm, case.to_mm, case.damaged))


def rebuilt_with_donor(case, **made) -> HalvesFit:
    donor = donor_of(case, 101, noise_mm=0.02, **made)
    scan = scan_from_arrays(donor.vertices, donor.faces, mm_per_unit=1.0, source=SOURCE)
    flanks = flanks_of(tube_of(case))
    placement = place(flanks, fit_intact(find_tubes(scan)[0]).shape)
    tube, shape = tube_on_shape(flanks, placement)
    return fit_halves(tube, HalvesSettings(), shape=shape)


def measured(case, fitted) -> Measured:
    """Over the gap only, not what is distrusted beside it; of one side only where one is damaged."""
    fit, band = fitted.fit, assess(fitted, overlap_mm=10.0).band
    u, v = np.meshgrid(np.linspace(*fit.rebuilt_mm, 40), np.arange(64) * (TURN_RAD / 64), indexing="ij")
    points = fit.surface.evaluate(u, v).reshape(-1, 3)
    within = case.in_gap(points)
    assert within.sum() > 500
    error = np.abs(case.truth_error(points))[within]
    width = band(u.ravel(), v.ravel())[within]
    return Measured(
        float(np.sqrt(np.mean(error**2))),
        float(error.max()),
        float(np.mean(error <= width)),
        float(np.median(width)),
    )


def check(found, *, inside=INSIDE, widest_mm=0.06):
    assert found.rms_mm <= RMS_MM, found
    assert found.inside >= inside, found
    # A band so wide that it always holds would say nothing: it speaks of the size of the error.
    assert found.band_median_mm < widest_mm, found


def test_gap_of_four_diameters_of_an_oval():
    case = broken("oval")
    check(measured(case, rebuilt_with_donor(case)))


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["hourglass", "s_stay"])
def test_gap_of_four_diameters_is_nearer_than_the_loft(kind):
    """The loft bridges what it has not seen: a waist, an S-bend."""
    case = broken(kind)
    found, loft = (
        measured(case, fitted)
        for fitted in (rebuilt_with_donor(case), fit_halves(tube_of(case), HalvesSettings()))
    )
    check(found)
    assert found.rms_mm < loft.rms_mm
    assert found.band_median_mm < loft.band_median_mm


@pytest.mark.slow
@pytest.mark.parametrize("kind", SIZES)
def test_paint_and_size_of_the_donor_do_not_matter(kind):
    """A film of 0.08 mm and a mould that gave two thousandths more: 0.1 mm on the radius, which the band may
    be as wide as."""
    case = broken(kind)
    check(
        measured(case, rebuilt_with_donor(case, paint_mm=0.08, scale=1.002)),
        inside=INSIDE_AT_LEAST,
        widest_mm=0.1,
    )


@pytest.mark.slow
@pytest.mark.parametrize("kind", SIZES)
def test_half_round_damage(kind):
    case = broken(kind, half_round_deg=180.0)
    check(measured(case, rebuilt_with_donor(case)), inside=INSIDE_AT_LEAST)


@pytest.mark.slow
@pytest.mark.parametrize(
    "kind",
    [
        "hourglass",
        "s_stay",
        "oval",
    ],
)
def test_strip_that_the_scanner_never_saw_is_no_loss(kind):
    """A quarter of the turn, all along the broken tube: the donor was seen there."""
    case = broken(kind, strip_deg=90.0)
    check(measured(case, rebuilt_with_donor(case)))
