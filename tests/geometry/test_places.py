"""Stations and angles on tubes that are formulas, and thickness maps through readings."""

import numpy as np
import pytest

from closed_surfaces import SHAPES, spline_of
from gaploft.errors import InputError
from gaploft.job import Reading
from gaploft.target.places import Places, whole_degrees
from gaploft.target.readings import thickness_over

CYLINDER = spline_of(SHAPES["cylinder"].point, 100.0, 8, 24)
TORUS = spline_of(SHAPES["torus"].point, 200.0, 12, 32)
ELLIPSE = spline_of(SHAPES["ellipse"].point, 100.0, 8, 48)


def test_angles_of_a_tube_along_z_count_from_x_clockwise_seen_along_it():
    """Looking along +Z with X up, +Y lies to the right: clockwise from X."""
    u = np.array([30.0, 40.0, 50.0])
    station, angle = Places(CYLINDER, 20.0).named(u, np.array([0.25, 2.0, 5.5]))
    np.testing.assert_allclose(station, [10.0, 20.0, 30.0], atol=1e-12)
    np.testing.assert_allclose(np.radians(angle), [0.25, 2.0, 5.5], atol=1e-6)


def test_angles_of_an_ellipse_are_those_of_a_protractor():
    """The parameter of an ellipse is not its angle: tan(angle) = b/a tan(parameter)."""
    v = np.linspace(0.1, 1.5, 9)
    _, angle = Places(ELLIPSE, 0.0).named(np.full(9, 50.0), v)
    np.testing.assert_allclose(np.tan(np.radians(angle)), 14.0 / 20.0 * np.tan(v), rtol=1e-4)


def test_zero_faces_z_on_a_tube_that_does_not_run_along_it():
    """The torus starts along z and bends towards -x; turned over, it runs along x and zero faces z."""
    turn = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])  # z becomes x, x becomes -z
    lying = spline_of(lambda u, v: SHAPES["cylinder"].point(u, v) @ turn.T, 100.0, 8, 24)
    _, angle = Places(lying, 0.0).named(np.array([50.0]), np.array([np.pi]))  # -x became z
    assert min(angle[0], 360.0 - angle[0]) < 1e-4


def test_zero_can_be_any_place_of_the_tube():
    zero = SHAPES["torus"].point(np.array([60.0]), np.array([1.0]))[0]
    _, angle = Places(TORUS, 0.0, zero).named(np.array([60.0, 60.0]), np.array([1.0, 2.0]))
    # the ring's own angle runs against v there: v = 0 outside of the bend, and -sin v along y
    assert min(angle[0], 360.0 - angle[0]) < 0.02
    assert min(abs(angle[1] - np.degrees(1.0)), abs(360.0 - angle[1] - np.degrees(1.0))) < 0.02
    with pytest.raises(InputError, match="centreline"):
        _ = Places(CYLINDER, 0.0, np.array([0.0, 0.0, 40.0])).named(np.array([1.0]), np.array([1.0]))


@pytest.mark.parametrize("surface", [CYLINDER, TORUS, ELLIPSE], ids=["cylinder", "torus", "ellipse"])
def test_what_was_named_is_found_again(surface):
    rng = np.random.default_rng(4)
    u, v = rng.uniform(10.0, 90.0, 50), rng.uniform(0.0, 2 * np.pi, 50)
    places = Places(surface, 25.0)
    station, angle = places.named(u, v)
    named = [Reading(1.0, s, a) for s, a in zip(station, angle, strict=True)]
    found_u, found_v = places.found(named, "paint")
    np.testing.assert_allclose(found_u, u, atol=1e-9)
    step = 2 * np.pi / 720  # the table of angles is read linearly
    np.testing.assert_allclose(np.cos(found_v - v), 1.0, atol=step**2)
    raised = surface.evaluate(u, v) + 0.8 * surface.normals(u, v)
    by_point = [Reading(1.0, point_mm=tuple(point)) for point in raised]
    found_u, found_v = places.found(by_point, "paint")
    np.testing.assert_allclose(surface.evaluate(found_u, found_v), surface.evaluate(u, v), atol=1e-6)


@pytest.mark.parametrize(
    ("reading", "text"),
    [
        (Reading(0.1, 76.0, 0.0), "paint is at station 76 mm, but the tube is known from -25.0 to 75.0 mm"),
        (Reading(0.1, -26.0, 0.0), "station -26 mm"),
        (Reading(0.1, point_mm=(21.0, 0.0, 50.0)), "lies 5.0 mm off the tube, at most 4.0 mm"),
        (Reading(0.1, point_mm=(16.0, 0.0, 108.0)), "lies 8.0 mm off the tube"),
    ],
)
def test_readings_outside_the_tube_are_refused(reading, text):
    with pytest.raises(InputError, match=text):
        Places(CYLINDER, 25.0).found([Reading(0.1), reading], "paint")


def test_a_number_is_the_same_all_over():
    over = thickness_over(0.3, Places(CYLINDER, 0.0), of="paint")
    assert np.array_equal(over(np.zeros((4, 1)), np.zeros(3)), np.full((4, 3), 0.3))


def test_a_map_goes_through_its_readings_and_stays_between_them():
    values = [0.10, 0.14, 0.12, 0.18, 0.11, 0.13]
    stations = [10.0, 10.0, 10.0, 60.0, 60.0, 90.0]
    angles = [0.0, 120.0, 240.0, 30.0, 200.0, 359.0]
    readings = tuple(Reading(*row) for row in zip(values, stations, angles, strict=True))
    places = Places(CYLINDER, 0.0)
    over = thickness_over(readings, places, of="paint")
    np.testing.assert_allclose(over(*places.found(readings, "paint")), values, atol=1e-9)
    u, v = np.linspace(0.0, 100.0, 40)[:, None], np.linspace(0.0, 2 * np.pi, 61)
    grid = over(u, v)
    assert grid.min() >= 0.10
    assert grid.max() <= 0.18
    np.testing.assert_allclose(grid[:, 0], grid[:, -1], atol=1e-12)  # it closes around the tube
    assert np.abs(np.diff(grid, axis=1)).max() < 0.01  # and has no jumps


def test_a_map_does_not_depend_on_where_angles_count_from():
    readings = tuple(Reading(t, s, a) for t, s, a in ((0.8, 10, 0), (0.9, 15, 90), (0.7, 60, 180)))
    turned = tuple(Reading(r.value_mm, r.station_mm, r.angle_deg - 90.0) for r in readings)
    one = thickness_over(readings, Places(CYLINDER, 0.0), of="wall")
    other = thickness_over(turned, Places(CYLINDER, 0.0, np.array([0.0, 16.0, 30.0])), of="wall")
    u, v = np.linspace(0.0, 100.0, 20)[:, None], np.linspace(0.0, 6.0, 20)
    np.testing.assert_allclose(one(u, v), other(u, v), atol=1e-5)


def test_one_reading_is_the_same_all_over():
    over = thickness_over((Reading(0.7, 10.0, 0.0),), Places(CYLINDER, 0.0), of="wall")
    assert over(np.array([90.0]), np.array([3.0])) == 0.7


def test_two_readings_of_one_place_are_refused():
    readings = (Reading(0.7, 10.0, 20.0), Reading(0.9, 40.0, 10.0), Reading(0.8, 10.1, 20.5))
    with pytest.raises(InputError, match=r"station 10.0 mm and angle 20 degrees \(0.7 and 0.8 mm\)"):
        thickness_over(readings, Places(CYLINDER, 0.0), of="wall")


def test_angles_are_told_below_a_full_turn():
    assert [whole_degrees(angle) for angle in (0.0, 359.4, 359.6, 360.0, 12.5)] == [0, 359, 0, 0, 12]
