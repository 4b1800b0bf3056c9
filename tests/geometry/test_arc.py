"""The arc that a tube is fitted about, against closed forms."""

import numpy as np
import pytest

from gaploft.surface.arc import Arc, arc_through

BEND = 400.0


def arc_points(u: np.ndarray) -> np.ndarray:
    """Points of an arc of radius BEND by arc length, in a plane that is not axis-aligned."""
    turn = np.linalg.qr(np.array([[0.3, 1.0, -0.2], [0.9, -0.1, 0.4], [0.1, 0.5, 1.0]]))[0]
    flat = np.column_stack([BEND * np.sin(u / BEND), BEND * (1.0 - np.cos(u / BEND)), np.zeros_like(u)])
    return flat @ turn.T + np.array([5.0, -3.0, 80.0])


def test_arc_is_found_from_its_two_ends() -> None:
    u = np.concatenate([np.linspace(0.0, 90.0, 30), np.linspace(150.0, 260.0, 30)])
    arc = arc_through(u, arc_points(u))
    everywhere = np.linspace(0.0, 260.0, 100)
    assert arc.curvature == pytest.approx(1.0 / BEND, rel=1e-6)
    assert np.abs(arc.points(everywhere) - arc_points(everywhere)).max() < 1e-5


def test_straight_line_has_no_curvature() -> None:
    u = np.linspace(0.0, 200.0, 50)
    arc = arc_through(u, u[:, None] * np.array([0.6, 0.0, 0.8]))
    assert arc.curvature == 0.0
    assert np.abs(arc.points(u) - u[:, None] * np.array([0.6, 0.0, 0.8])).max() < 1e-9


def test_step_of_a_straight_tube_is_no_bend() -> None:
    """Two halves that sit half a millimetre apart: the closest arc crosses the step, all but straight."""
    u = np.concatenate([np.linspace(0.0, 80.0, 40), np.linspace(120.0, 240.0, 40)])
    centres = np.column_stack([np.where(u > 100.0, 0.5, 0.0), np.zeros_like(u), u])
    centres += np.random.default_rng(2).normal(0.0, 0.003, centres.shape)
    arc = arc_through(u, centres)
    assert np.abs(arc.points(u) - centres).max() < 0.5
    # The rise of an arc over its chord is its length squared times its curvature over 8.
    assert arc.curvature * 240.0**2 / 8.0 < 0.5


def test_an_s_is_no_bend() -> None:
    """The closest arc to a whole wave with a gap in it stays near its middle line."""
    u = np.concatenate([np.linspace(0.0, 110.0, 40), np.linspace(170.0, 300.0, 40)])
    centres = np.column_stack([5.0 * np.sin(2 * np.pi * u / 300.0), np.zeros_like(u), u])
    arc = arc_through(u, centres)
    assert np.abs(arc.points(u) - centres)[:, 0].max() < 6.0
    assert arc.curvature * 300.0**2 / 8.0 < 5.0


@pytest.mark.parametrize("curvature", [0.0, 1.0 / 400.0])
def test_points_come_back_from_their_straight_coordinates(curvature: float) -> None:
    arc = Arc(
        np.array([3.0, 1.0, -2.0]), np.array([0.6, 0.8, 0.0]), np.array([-0.8, 0.6, 0.0]), curvature, 10.0
    )
    rng = np.random.default_rng(4)
    flat = np.column_stack([rng.uniform(-100.0, 200.0, 300), rng.uniform(-20.0, 20.0, (300, 2))])
    assert np.abs(arc.straightened(arc.bent(flat)) - flat).max() < 1e-9
