"""Patches on neither tubes nor a quadric: how fair they are is chosen on blanked places."""

from functools import lru_cache

import numpy as np
import pytest
from scipy.spatial import cKDTree

from gaploft.patch.base import FairBase
from gaploft.patch.blank import blank_patches
from gaploft.patch.energy import Directed
from gaploft.patch.fair import fit_fair
from gaploft.patch.places import blanked_places, main_part
from gaploft.patch.settle import Cloud, settled
from patch_shapes import bent

NOISE = 0.02


@lru_cache(maxsize=1)
def flared():
    """A sheet that bends across and flares along, damaged in the middle, and its fit."""
    region, truth = bent(
        lambda flat: -(flat[:, 0] ** 2) / 60.0 + 1.5 * np.exp(flat[:, 1] / 20.0),
        NOISE,
        side_mm=90.0,
        half_mm=6.0,
    )
    ticks = []
    fit = fit_fair(region, 1.6, ticks.append)
    assert ticks == sorted(ticks)
    return fit, truth


def off(surface, truth):
    return float(np.sqrt(np.mean(surface.against(truth).distance ** 2)))


def test_a_flare_is_followed_to_the_noise():
    fit, truth = flared()
    assert off(fit.surface, truth) < NOISE
    assert fit.noise_mm == pytest.approx(NOISE, rel=0.1)


def test_the_way_chosen_is_near_the_best():
    """Against the truth, which the choice knows nothing of: both ends of the list are worse."""
    fit, truth = flared()
    cloud = Cloud(fit.region.points, np.ones(len(fit.region.points)))
    errors = [
        off(FairBase.of(settled(fit.laid, cloud, fit.seen.weights, Directed(order=order), stiff)), truth)
        for order, stiff in ((3, 1.0), (3, 4.0), (4, 1.0), (4, 6.0))
    ]
    assert off(fit.surface, truth) < min(errors)


def test_blanked_places_lie_on_trusted_scan_and_apart():
    fit, _ = flared()
    places, size, width = blanked_places(fit)
    assert len(places) >= 2
    assert 0.0 < size <= 1.0
    lost = fit.nodes.points[fit.lost]
    middles = []
    for place in places:
        points = fit.nodes.points[place]
        assert cKDTree(lost).query(points)[0].min() > 2.0
        assert np.ptp(points, axis=0).max() < 1.3 * size * width
        middles.append(points.mean(axis=0))
    apart = np.linalg.norm(np.array(middles)[:, None] - np.array(middles), axis=2)
    assert apart[~np.eye(len(places), dtype=bool)].min() > 0.3 * size * width
    assert set(main_part(fit)) <= set(np.flatnonzero(fit.lost))


def test_a_band_grows_from_small_blanks_to_a_large_patch():
    fit, truth = flared()
    blanks = blank_patches(fit, lambda share: None)
    # Student's t for 95 % both ways, any handbook's table (from memory), 1 to 4 degrees of freedom.
    table = {2: 12.706, 3: 4.303, 4: 3.182, 5: 2.776}
    assert blanks.grown == pytest.approx(table[len(blanks.patches)] / 1.96 * blanks.size**-3, rel=1e-3)
    band = 1.96 * blanks.scale * fit.uncertain_mm[fit.nodes.tree.query(truth)[1]]
    assert (np.abs(fit.surface.against(truth).distance) <= band).mean() > 0.8
