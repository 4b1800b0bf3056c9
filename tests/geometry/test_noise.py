"""Noise with a correlation, against the covariance it was drawn with."""

import numpy as np
import pytest

from gaploft.evidence.noise import correlation_length, scan_noise, seen_share
from irregular import correlated_noise

RADIUS = 16.0


@pytest.mark.parametrize("length", [0.5, 1.0, 2.0])
def test_share_that_a_patch_sees_is_the_mean_covariance(length: float) -> None:
    """The closed form against the double integral of ``exp(-d^2 / 2 l^2)`` over a square, summed up."""
    side, n = 4.0, 400
    places = (np.arange(n) + 0.5) * side / n
    line = np.exp(-((places[:, None] - places) ** 2) / (2.0 * length**2)).mean()
    whole = 2.0 * np.pi * length**2
    assert seen_share(side / length) == pytest.approx(line**2 * side**2 / whole, rel=1e-3)


@pytest.mark.parametrize("length", [0.3, 1.0, 2.0, 2.9])
def test_correlation_length_comes_back(length: float) -> None:
    ratio = seen_share(4.0 / length) / seen_share(8.0 / length)
    assert correlation_length(ratio) == pytest.approx(length, rel=1e-6)


@pytest.mark.parametrize("ratio", [0.01, 1.0])
def test_correlation_length_stays_within_what_is_believed(ratio: float) -> None:
    assert correlation_length(ratio) in (0.05, 3.0)


@pytest.mark.parametrize("length", [0.5, 1.0, 2.0])
def test_density_of_correlated_noise_is_found(length: float) -> None:
    """Over several scans: the density of the drawn covariance is 2 pi l^2 times the variance."""
    rng = np.random.default_rng(7)
    found = []
    for _ in range(6):
        u, v = rng.uniform(0.0, 260.0, 30000), rng.uniform(0.0, 2.0 * np.pi, 30000)
        points = np.column_stack([RADIUS * np.cos(v), RADIUS * np.sin(v), u])
        noise = correlated_noise(points, rms_mm=0.02, correlation_mm=length, rng=rng)
        areas = np.full(len(u), 260.0 * 2.0 * np.pi * RADIUS / len(u))
        found.append(scan_noise(u, v, noise, areas, radius_mm=RADIUS, taken_per_mm2=0.0).density_mm4)
    # Points that lie at random add what a mean over few of them misses of its patch.
    expected = (2.0 * np.pi * length**2 + areas[0]) * 0.02**2
    # 6 scans of some 400 patches: a few percent, and as much again for the drawn waves being few.
    assert np.mean(found) == pytest.approx(expected, rel=0.25)


def test_white_noise_counts_per_point() -> None:
    rng = np.random.default_rng(8)
    u, v = rng.uniform(0.0, 260.0, 30000), rng.uniform(0.0, 2.0 * np.pi, 30000)
    areas = np.full(len(u), 260.0 * 2.0 * np.pi * RADIUS / len(u))
    noise = rng.normal(0.0, 0.02, len(u))
    found = scan_noise(u, v, noise, areas, radius_mm=RADIUS, taken_per_mm2=0.0)
    assert found.scale_mm == pytest.approx(0.02, rel=0.03)
    assert found.density_mm4 == pytest.approx(0.02**2 * areas[0], rel=0.3)
