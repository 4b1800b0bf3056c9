"""Colour scales: lightness says how much, and no colour vision takes one thing for another."""

from itertools import combinations, pairwise

import numpy as np
import pytest

from gaploft.report.colours import (
    _from_oklab,
    come_to,
    legend_ticks,
    origin_rgba,
    signed_scale,
    srgb,
    tick_texts,
    width_scale,
    zone_rgba,
)

#: G. M. Machado, M. M. Oliveira and L. A. F. Fernandes, "A physiologically-based model for simulation of
#: color vision deficiency", IEEE Transactions on Visualization and Computer Graphics 15(6), 2009: the
#: matrices of full severity for linear RGB, from memory. Each row sums to 1, so that greys stay grey.
VISIONS = {
    "full": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
#: XYZ of the primaries of sRGB and its white, D65 (IEC 61966-2-1).
XYZ_FROM_RGB = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
#: About ten times what two patches side by side need to look different (2.3; M. Mahy, L. Van Eycken and
#: A. Oosterlinck, Color Research and Application 19(2), 1994; from memory).
APART = 20.0


def cielab(linear):
    """CIE L*a*b* of linear RGB (CIE 15:2004), independent of the space that the scales are mixed in."""
    xyz = np.clip(linear, 0.0, 1.0) @ XYZ_FROM_RGB.T / XYZ_FROM_RGB.sum(axis=1)
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1
    )


def delta_e(one, other):
    """CIE 1976 colour difference."""
    return float(np.linalg.norm(cielab(one) - cielab(other)))


def rgb(scale, *values):
    return scale.rgba(np.array(values))[:, :3].astype(np.float64)


@pytest.mark.parametrize("scale", [signed_scale(0.05), width_scale(0.05)], ids=["signed", "width"])
def test_every_colour_is_one_that_a_screen_has(scale):
    for colours in (scale.table, scale.below, scale.above, scale.unseen):
        assert colours.min() >= 0.0
        assert colours.max() <= 1.0


@pytest.mark.parametrize("vision", VISIONS)
def test_lightness_falls_from_the_middle_to_both_ends(vision):
    for scale, start in ((signed_scale(0.05), 0.0), (width_scale(0.05), 0.0)):
        for end in (scale.high_mm, scale.low_mm):
            if end == start:
                continue
            way = rgb(scale, *np.linspace(start, end, 60)) @ VISIONS[vision].T
            assert (np.diff(cielab(way)[:, 0]) < 0.0).all()


@pytest.mark.parametrize("vision", VISIONS)
def test_ends_middle_beyond_and_unseen_stay_apart(vision):
    scale = signed_scale(0.05)
    looks = rgb(scale, -0.05, 0.0, 0.05, -0.06, 0.06, np.nan) @ VISIONS[vision].T
    for i in range(len(looks)):
        for j in range(i):
            assert delta_e(looks[i], looks[j]) > APART, (i, j)


@pytest.mark.parametrize("vision", VISIONS)
def test_width_and_zone_colours_stay_apart(vision):
    looks = rgb(width_scale(0.05), 0.0, 0.025, 0.05, 0.06) @ VISIONS[vision].T
    for one, other in pairwise(looks):
        assert delta_e(one, other) > APART
    intact, rebuilt = zone_rgba([0, 1])[:, :3] @ VISIONS[vision].T
    assert delta_e(intact, rebuilt) > APART


@pytest.mark.parametrize("vision", VISIONS)
def test_what_a_patch_stands_on_is_told_apart_with_any_vision(vision):
    looks = origin_rgba([0, 1, 2, np.nan])[:, :3] @ VISIONS[vision].T
    for one, other in combinations(looks, 2):
        assert delta_e(one, other) > APART


@pytest.mark.parametrize("vision", VISIONS)
def test_both_sides_stay_apart_wherever_a_deviation_is_half_of_what_is_allowed(vision):
    scale = signed_scale(0.05)
    for value in np.linspace(0.025, 0.05, 6):
        below, above = rgb(scale, -value, value) @ VISIONS[vision].T
        assert delta_e(below, above) > APART


def test_equal_steps_look_about_equal():
    """A scale that rushes through some values shows borders where there are none."""
    way = cielab(rgb(signed_scale(1.0), *np.linspace(-1.0, 1.0, 41)))
    steps = np.linalg.norm(np.diff(way, axis=0), axis=1)
    assert steps.max() < 3.0 * steps.min()


def test_range_and_what_was_not_seen():
    scale = signed_scale(0.1)
    looks = scale.rgba(np.array([-0.1, 0.1, -0.1001, 0.1001, np.nan, -np.inf, np.inf, 0.0]))
    assert looks.shape == (8, 4)
    assert looks.dtype == np.float32
    assert (looks[:, 3] == 1.0).all()
    expected = (
        *(scale.table[0], scale.table[-1], scale.below, scale.above),
        *(scale.unseen, scale.below, scale.above, scale.table[len(scale.table) // 2]),
    )
    np.testing.assert_allclose(looks[:, :3], expected, atol=1e-6)
    assert np.ptp(looks[4, :3]) < 1e-4  # neutral
    assert scale.beyond([-0.2, 0.1, np.nan, 0.2]).tolist() == [True, False, False, True]
    assert scale.signed
    assert not width_scale(0.1).signed


def test_what_values_come_to():
    found = come_to(signed_scale(0.1), [0.05, -0.3, np.nan, 0.2, 0.0, 0.1, np.nan, -0.1])
    assert (found.worst_mm, found.beyond, found.unseen) == (-0.3, 0.25, 0.25)
    nothing = come_to(signed_scale(0.1), [np.nan])
    assert np.isnan(nothing.worst_mm)
    assert (nothing.beyond, nothing.unseen) == (0.0, 1.0)
    assert come_to(signed_scale(0.1), []).unseen == 0.0


def test_scales_follow_the_tolerance():
    np.testing.assert_array_equal(signed_scale(0.05).rgba([-0.02, 0.01]), signed_scale(0.5).rgba([-0.2, 0.1]))


def test_oklab_is_the_published_one():
    """White, and pure red at (0.628, 0.225, 0.126): values printed by the author of the space."""
    np.testing.assert_allclose(_from_oklab(np.array([[1.0, 0.0, 0.0]]))[0], 1.0, atol=1e-6)
    red = _from_oklab(np.array([[0.6279554, 0.2248631, 0.1258463]]))[0]
    np.testing.assert_allclose(red, [1.0, 0.0, 0.0], atol=1e-4)


def test_screen_colours():
    """Middle grey of sRGB: 0.2140 linear is 0.5; below 0.0031308 the curve is a line (IEC 61966-2-1)."""
    out = srgb([[0.0, 0.21404114, 1.0, 0.3], [0.002, 0.0031308, 0.5, 1.0]])
    np.testing.assert_allclose(out[0], [0.0, 0.5, 1.0, 0.3], atol=1e-5)
    np.testing.assert_allclose(out[1], [0.02584, 0.04045, 0.735357, 1.0], atol=1e-4)


@pytest.mark.parametrize(
    ("tolerance", "texts"),
    [
        (0.05, ("−0.050", "−0.025", "0.000", "+0.025", "+0.050")),
        (0.1, ("−0.10", "−0.05", "0.00", "+0.05", "+0.10")),
        (0.07, ("−0.07", "−0.05", "0.00", "+0.05", "+0.07")),
        (2.0, ("−2", "−1", "0", "+1", "+2")),
    ],
)
def test_ticks_are_round_and_hold_both_ends(tolerance, texts):
    ticks = legend_ticks(-tolerance, tolerance)
    assert tick_texts(ticks, signed=True) == texts


@pytest.mark.parametrize("high", [0.013, 0.05, 0.099, 0.1, 0.3, 0.77, 1.0, 6.5, 40.0])
def test_ticks_of_any_range(high):
    for low in (0.0, -high):
        ticks = legend_ticks(low, high)
        assert 3 <= len(ticks) <= 9
        assert (ticks[0], ticks[-1]) == (low, high)
        assert (np.diff(ticks) > 0.09 * (high - low)).all()  # room for a number beside each
        assert 0.0 in ticks
        texts = tick_texts(ticks, signed=low < 0.0)
        assert len(set(texts)) == len(texts)


def test_wrong_ranges_are_refused():
    with pytest.raises(ValueError, match="tolerance_mm must be a number above 0"):
        signed_scale(0.0)
    with pytest.raises(ValueError, match="tolerance_mm must be a number above 0"):
        width_scale(-1.0)
    with pytest.raises(ValueError, match="high_mm - low_mm must be a number above 0"):
        legend_ticks(1.0, 1.0)
