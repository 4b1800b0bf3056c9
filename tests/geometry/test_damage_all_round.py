"""A marked area that goes all the way round a tube is what lies between its two ends, as without the area."""

import numpy as np
import pytest

import plain_tube
from gaploft.job import Damage
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from gaploft.tube.damaged import goes_round
from gaploft.tube.isolate import isolate_tube

GAP_MM = (110.0, 190.0)


@pytest.mark.parametrize(("free_deg", "round_"), [(55.0, True), (65.0, False)])
@pytest.mark.parametrize("turn_deg", [0.0, 170.0, 355.0])
def test_a_free_sector_tells(free_deg, round_, turn_deg):
    angle = np.radians(np.arange(0.0, 360.0 - free_deg + 0.5, 1.0) + turn_deg)
    assert goes_round(np.random.default_rng(0).permutation(angle)) is round_


def tube(mask_of=None):
    vertices, faces = plain_tube.open_tube(gap=GAP_MM)
    source = ScanSource("tube", "0" * 64, "mm", len(vertices), len(faces))
    scan = scan_from_arrays(vertices, faces, mm_per_unit=1.0, source=source, progress=lambda *_: None)
    ends = np.array([[0.0, 0.0, at] for at in GAP_MM])
    marked = None if mask_of is None else np.flatnonzero(mask_of(vertices))
    return isolate_tube(scan, Damage(*ends, marked))


def at_rims(vertices):
    """The points within 10 mm of the gap, as one paints over torn edges."""
    return (vertices[:, 2] > GAP_MM[0] - 10.0) & (vertices[:, 2] < GAP_MM[1] + 10.0)


def test_both_painted_rims_stand_for_the_gap_between_them():
    plain, painted = tube(), tube(at_rims)
    assert painted.patch is None
    assert painted.gap_mm == pytest.approx(plain.gap_mm)
    np.testing.assert_array_equal(painted.points_mm, plain.points_mm)
    assert painted.damaged.sum() > plain.damaged.sum(), "what was painted is not trusted either"
    off = np.abs(painted.points_mm[painted.damaged, 2] - np.mean(GAP_MM))
    assert off.max() < 0.5 * np.ptp(GAP_MM) + 10.0


def test_one_side_stays_one_sided():
    assert tube(lambda vertices: at_rims(vertices) & (vertices[:, 0] > 0.0)).patch is not None
