"""A strip along the whole tube that was never seen: found, bridged, and known for what it is."""

from typing import Any

import numpy as np
import pytest

from gaploft.evidence.band import Band
from gaploft.evidence.free_motion import motion_between
from gaploft.evidence.strip import Strip, band_with_strip, bridged, widest_strip
from gaploft.surface.arc import Arc
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.fit import FitPoints, Problem, close_waves, settle, started
from gaploft.surface.sweep import Bridge
from gaploft.tube.around import around_map

STRIP = Bridge(1.0, 0.7, 11.0)


def tube_with_strip(radius: Any) -> tuple[Problem, Any]:
    """A straight tube whose section has this radius by angle, seen all round but for a strip."""
    rng = np.random.default_rng(3)
    u, v = rng.uniform(0.0, 200.0, 12000), rng.uniform(0.0, TURN_RAD, 12000)
    v = v[(v < STRIP.start_rad) | (v > STRIP.start_rad + STRIP.width_rad)]
    u = u[: len(v)]
    # Noise of a scan: without any, the least misfit would pass for an outlier.
    out = radius(v) + rng.normal(0.0, 0.02, len(v))
    points = np.column_stack([out * np.cos(v), out * np.sin(v), u])
    arc = Arc(np.zeros(3), np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]), 0.0, 0.0)
    areas = np.full(len(u), 200.0 * TURN_RAD * 16.0 / len(u))
    problem = started(
        arc, FitPoints(points, u, v, areas), (0.0, 200.0), n_section=32, plain_mm=5.0, bridge=STRIP
    )
    waves = close_waves(32.0, 5.0)
    problem = settle(problem, areas, waves, bridge=STRIP).problem
    return problem, problem.solution(waves)


@pytest.mark.parametrize("width", [0.3, 0.7, 1.5])
def test_widest_strip_is_found_over_the_seam_too(width: float) -> None:
    v = np.random.default_rng(1).uniform(width, TURN_RAD, 20000)
    found = widest_strip(np.mod(v - 0.1, TURN_RAD), 16.0)
    assert found is not None
    assert found.width_rad == pytest.approx(width, abs=0.04)
    assert np.mod(found.start_rad + 0.1, TURN_RAD) == pytest.approx(0.0, abs=0.04)


def test_no_strip_where_all_is_seen() -> None:
    assert widest_strip(np.linspace(0.0, TURN_RAD, 5000), 16.0) is None


def test_round_section_is_bridged_and_said_to_be() -> None:
    problem, solution = tube_with_strip(lambda v: 16.0 + 0.0 * v)
    strip = bridged(problem, solution, STRIP, 5.0)
    # 24 cells of a section that is known to 0.02 / sqrt(500) mm each, bridged.
    assert max(strip.half_width_mm) < 0.01


def test_uneven_section_is_not_trusted_in_the_strip() -> None:
    """A lobed section with five lobes: a strip as wide as half a lobe is bridged with errors that show."""

    def lobed(v: Any) -> Any:
        return 16.0 + 0.5 * np.cos(5.0 * v)

    problem, solution = tube_with_strip(lobed)
    strip = bridged(problem, solution, STRIP, 5.0)
    assert max(strip.half_width_mm) > 0.05
    # What is said covers what the bridge is really off by.
    waves = close_waves(32.0, strip.bridge.cut_off_mm)
    surface = settle(problem, problem.data.weights, waves, bridge=strip.bridge).surface
    u, v = np.meshgrid(np.linspace(60.0, 140.0, 9), np.linspace(1.0, 1.7, 15))
    points = surface.evaluate(u, v).reshape(-1, 3)
    off = np.hypot(points[:, 0], points[:, 1]) - lobed(np.arctan2(points[:, 1], points[:, 0]))
    assert np.abs(off).max() < 1.5 * max(strip.half_width_mm)


def test_band_is_wider_in_the_strip_alone() -> None:
    band = Band(np.linspace(0.0, 50.0, 6), np.full((6, 24), 0.01))
    wider = band_with_strip(band, Strip(STRIP, (0.0, 0.3, 0.0)))
    u = np.full(3, 25.0)
    found = wider(u, np.array([0.5, 1.35, 2.5]))
    assert found[[0, 2]] == pytest.approx(0.01)
    assert found[1] == pytest.approx(0.3, abs=0.03)


def test_parameter_of_an_ellipse_is_its_own_across_a_strip() -> None:
    """The eccentric angle of an ellipse, also where the scan shows nothing of it."""
    angle = np.linspace(0.0, TURN_RAD, 7200, endpoint=False)
    seen = (angle < 1.0) | (angle > 2.2)
    a, b = 20.0, 14.0
    radius = a * b / np.hypot(b * np.cos(angle), a * np.sin(angle))
    found = around_map(np.zeros(seen.sum()), angle[seen], radius[seen])
    eccentric = np.arctan2(a * np.sin(angle), b * np.cos(angle))
    off = np.mod(found(angle) - eccentric + np.pi, TURN_RAD) - np.pi
    # The mean section is kept in bins of two degrees.
    assert np.abs(off - off.mean()).max() < np.radians(1.0)


def test_motion_of_a_half_that_is_hardly_seen_is_not_guessed() -> None:
    problem, _ = tube_with_strip(lambda v: 16.0 + 0.0 * v)
    assert motion_between(problem, 197.0, radius_mm=16.0, density_mm4=0.005) is None
