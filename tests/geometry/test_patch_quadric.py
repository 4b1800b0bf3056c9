"""Surfaces of the second degree, against closed forms, and what is made of one and what is not."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation

from gaploft.errors import EvidenceError
from gaploft.patch.blank import blank_patches
from gaploft.patch.field import fitted, scatter_at, spread_at
from gaploft.patch.fit import fit_on_quadric
from gaploft.patch.quadric import fit_quadric
from junction_closed import Cylinder, Ellipsoid, Saddle, Torus
from patch_shapes import bent

NOISE = 0.02


def part(shape, middle, n=3000, reach=18.0, seed=0):
    """Points of a closed form around one of its own, and their normals."""
    rng = np.random.default_rng(seed)
    near = np.asarray(middle) + rng.uniform(-reach, reach, (n, 3))
    return shape.project(near)


SHAPES = [
    (Ellipsoid(), (20.0, 8.0, 20.0)),
    (Saddle(), (6.0, -8.0, 0.0)),
    (Cylinder(), (16.0, 2.0, 5.0)),
]


@pytest.mark.parametrize(("shape", "middle"), SHAPES)
def test_a_quadric_is_found_in_any_pose(shape, middle):
    foot, normal = part(shape, middle)
    pose = Rotation.from_euler("xyz", [0.4, 1.1, -0.7])
    points, normals = pose.apply(foot) + [100.0, -50.0, 30.0], pose.apply(normal)
    found = fit_quadric(points, normals, np.ones(len(points)))
    off = np.random.default_rng(1).uniform(-0.5, 0.5, len(points))
    against = found.against(points + off[:, None] * normals)
    assert_allclose(against.distance, off, atol=1e-6)
    assert_allclose(against.normal, normals, atol=1e-6)
    assert_allclose(found.onto(points + off[:, None] * normals), points, atol=1e-6)
    assert (found.spread(points) == 0.0).all()


def test_the_foot_is_the_nearest_point_of_an_ellipsoid():
    """SciPy's own minimum over angles, for points farther off than a scan is."""
    shape = Ellipsoid()
    foot, normal = part(shape, (20.0, 8.0, 20.0))
    found = fit_quadric(foot, normal, np.ones(len(foot)))
    for point in foot[:6] + 4.0 * normal[:6]:

        def away(angle, point=point):
            turn, rise = angle
            way = np.array([np.cos(turn) * np.cos(rise), np.sin(turn) * np.cos(rise), np.sin(rise)])
            return float(np.linalg.norm(shape.half_axes_mm * way - point))

        unit = point / np.array(shape.half_axes_mm)
        start = [np.arctan2(unit[1], unit[0]), np.arctan2(unit[2], np.hypot(*unit[:2]))]
        nearest = minimize(away, start, method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12})
        assert found.against(point[None]).distance[0] == pytest.approx(nearest.fun, abs=1e-5)


def test_points_far_off_count_for_nothing():
    foot, normal = part(*SHAPES[0])
    rng = np.random.default_rng(3)
    rough = foot + rng.normal(0.0, NOISE, len(foot))[:, None] * normal
    rough[::10] += 1.0 * normal[::10]
    found = fit_quadric(rough, normal, np.ones(len(foot)))
    assert np.sqrt(np.mean(found.against(foot).distance ** 2)) < 0.2 * NOISE


def test_weights_count():
    """Two balls of one middle: the one that weighs nothing is not there."""
    way = np.random.default_rng(5).normal(size=(2000, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    radius = np.where(np.arange(2000) % 2, 20.0, 21.0)
    found = fit_quadric(radius[:, None] * way, way, np.where(radius > 20.5, 1.0, 0.0))
    assert_allclose(found.against(21.0 * way).distance, 0.0, atol=1e-6)


def test_what_is_nowhere_near_a_quadric_is_refused():
    foot, normal = part(Torus(), (60.0, 0.0, 0.0), reach=60.0)
    with pytest.raises(EvidenceError, match="second degree"):
        fit_quadric(foot, normal, np.ones(len(foot)))


def test_a_patch_on_a_quadric():
    region, truth = bent(lambda flat: flat[:, 0] ** 2 / 70.0 - flat[:, 1] ** 2 / 50.0, NOISE)
    ticks = []
    fit = fit_on_quadric(region, 1.5, ticks.append)
    assert fit.quadric is not None
    assert fit.joined is None
    # Hundreds of points for each of ten numbers: far below the noise of one.
    assert np.sqrt(np.mean(fit.surface.against(truth).distance ** 2)) < 0.2 * NOISE
    assert fit.noise_mm == pytest.approx(NOISE, rel=0.1)
    assert ticks == sorted(ticks)


@lru_cache(maxsize=1)
def saddled():
    region, _ = bent(lambda flat: flat[:, 0] ** 2 / 70.0 - flat[:, 1] ** 2 / 50.0, NOISE, half_mm=6.0)
    return fit_on_quadric(region, 1.5, lambda share: None)


def test_noise_of_a_field_is_what_many_fields_scatter_by():
    """Against fields through noise drawn a hundred times."""
    fit = saddled()
    rng = np.random.default_rng(0)
    sigma = np.sqrt(fit.density_mm4 / fit.seen.weights.mean())
    drawn = []
    for _ in range(100):
        heights = rng.normal(0.0, 1.0, len(fit.seen.weights)) * sigma
        offset = np.column_stack([fit.seen.offset[:, :2], heights])
        drawn.append(fitted(fit.nodes, replace(fit.seen, offset=offset), fit.density_mm4, 2.2).values)
    inner = np.flatnonzero(np.hypot(*fit.nodes.points[:, :2].T) < 20.0)[::25]
    inner = inner[~fit.lost[inner]]
    close = fitted(fit.nodes, fit.seen, fit.density_mm4, 2.2)
    told = scatter_at(fit.nodes, fit.seen, close, inner, fit.density_mm4)
    assert (told < spread_at(close, inner, fit.density_mm4)).all()
    assert np.mean(np.std(drawn, axis=0)[inner]) == pytest.approx(np.mean(told), rel=0.15)


def test_the_band_of_a_quadric_holds_what_blanks_cannot_rule_out():
    """Nothing but the scan says that a surface is one."""
    fit = saddled()
    blanks = blank_patches(fit, lambda share: None)
    band = 1.96 * blanks.scale * fit.uncertain_mm[fit.lost]
    assert np.median(band) > 0.9 * np.quantile(np.abs(blanks.errors), 0.9)


def test_a_bend_of_higher_degree_is_none():
    """A flare that a quadric is off by tenths of a millimetre."""
    region, _ = bent(lambda flat: flat[:, 0] ** 2 / 70.0 + 2.0 * np.exp(flat[:, 1] / 15.0), NOISE)
    with pytest.raises(EvidenceError, match="second degree"):
        fit_on_quadric(region, 1.5, lambda share: None)
