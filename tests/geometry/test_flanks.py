"""What a later scan is lined up on: trusted tube beyond the target, and nothing of the damage."""

import numpy as np
import pytest

import plain_tube
from gaploft.job import Damage, Job
from gaploft.pipeline import rebuild
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from gaploft.target import flanks
from gaploft.target.flanks import flank_points

NOISE_MM, STICKER_MM = 0.02, 0.4


@pytest.fixture(scope="module")
def fit():
    """A round tube of radius 16 along z that is missing 30 mm, with a sticker on one flank."""
    vertices, faces = plain_tube.open_tube(length=300.0, n_u=151, n_v=100, gap=(130.0, 160.0))
    rng = np.random.default_rng(5)
    radius = 1.0 + rng.normal(0.0, NOISE_MM / 16.0, len(vertices))
    stuck = (vertices[:, 2] > 190.0) & (vertices[:, 2] < 210.0) & (vertices[:, 0] > 10.0)
    vertices[:, :2] *= (radius + stuck * STICKER_MM / 16.0)[:, None]
    source = ScanSource("tube.stl", "00" * 32, "mm", len(vertices), len(faces))
    scan = scan_from_arrays(vertices, faces, mm_per_unit=1.0, source=source)
    rebuilt = rebuild(scan, Job(Damage(np.array([0.0, 0.0, 130.0]), np.array([0.0, 0.0, 160.0]))))
    return rebuilt.stages.fitted.fit


def stations(fit, low, high):
    """Parameters along the tube of two heights: it is straight, and u runs along it from its own zero."""
    at_start = fit.surface.evaluate(np.array([fit.surface.range_u[0]]), np.array([0.0]))[0, 2]
    return tuple(fit.surface.range_u[0] + z - at_start for z in (low, high))


def test_flanks_lie_on_the_tube_beyond_the_target_and_spare_stickers(fit):
    points, normals = flank_points(fit, stations(fit, 115.0, 175.0))
    assert len(points) > 5000
    z = points[:, 2]
    assert ((z < 115.1) | (z > 174.9)).all()
    assert z.min() < 60.0
    assert z.max() > 240.0
    # the surface is some ten times nearer than the noise of single points
    np.testing.assert_allclose(np.hypot(points[:, 0], points[:, 1]), 16.0, atol=NOISE_MM)
    np.testing.assert_allclose(normals[:, :2], points[:, :2] / 16.0, atol=0.01)
    within = (z > 192.0) & (z < 208.0) & (points[:, 0] > 11.0)
    assert within.sum() < 0.1 * ((z > 212.0) & (z < 228.0) & (points[:, 0] > 11.0)).sum()


def test_no_more_points_than_are_of_use(fit, monkeypatch):
    monkeypatch.setattr(flanks, "_MOST_POINTS", 100)
    points, _ = flank_points(fit, stations(fit, 115.0, 175.0))
    assert len(points) == 100
    assert points[:, 2].min() < 115.0 < 175.0 < points[:, 2].max()
