"""Pictures of the report: which there are, that they show what they are given, and fine targets as well."""

import dataclasses
import io

import numpy as np
import pytest
from PIL import Image

import plain_rebuild
from closed_surfaces import SHAPES, spline_of
from gaploft.job import Layers
from gaploft.report import unrolled
from gaploft.report.pictures import ShopArrays, draw_pictures
from gaploft.report.pictures_section import _enlargement
from gaploft.report.unrolled import Unrolled, spread
from laid_layers import cut, fit_of, laid, round_patch

ACROSS, ALONG = 640, 701


def fine_target():
    """The plain target with many more rings and lines; its band has a bump of its own."""
    u, v = np.meshgrid(
        np.linspace(0.0, 100.0, ALONG), np.arange(ACROSS) * (2 * np.pi / ACROSS), indexing="ij"
    )
    normals = np.stack([np.cos(v), np.sin(v), np.zeros_like(v)], axis=2).reshape(-1, 3)
    band = 0.01 + 0.02 * np.exp(-(((u - 50.0) / 25.0) ** 2)) * (1.2 + np.cos(v))
    return dataclasses.replace(
        plain_rebuild.target(),
        vertices_mm=16.0 * normals + np.stack([0 * u, 0 * u, u], axis=2).reshape(-1, 3),
        normals=normals,
        band95_mm=band.ravel(),
        zone=((u > 10.0) & (u < 90.0)).astype(np.uint8).ravel(),
        depth_mm=np.full(u.size, 0.35),
        shape=(ALONG, ACROSS),
    )


def angles_of(target):
    return np.degrees(np.arctan2(target.vertices_mm[:, 1], target.vertices_mm[:, 0]))


def shop_of(target):
    """Everything that a shop can know, all of it varying."""
    z, angle = target.vertices_mm[:, 2], angles_of(target)
    wall = 1.2 + 0.2 * np.cos(np.radians(angle))
    bed = np.linspace(0.0, 40.0, 2000)
    strip = np.arange(len(bed) - 2)[:, None] + np.arange(3)
    return ShopArrays(
        station_mm=z - 10.0,
        angle_deg=np.mod(40.0 - angle, 360.0),
        wall_mm=wall,
        left_mm=wall - 0.25 - 0.05 * np.sin(z / 20.0),
        inner_mm=target.outer_mm - (0.1 + wall)[:, None] * target.normals,
        reach_left_mm=np.where(z > 60.0, 0.1, 0.0),
        bed_beyond_mm=bed,
        bed_depth_mm=1.3 - 0.25 * np.floor(bed / 8.001),
        bed_triangles=strip.astype(np.int32),
    )


def layered(target):
    """The target with layers that are not the same all along."""
    return dataclasses.replace(target, depth_mm=0.35 + 0.1 * np.sin(target.vertices_mm[:, 2] / 15.0))


@pytest.fixture(scope="module")
def every():
    """All pictures that there are, of the plain target."""
    target = layered(plain_rebuild.target())
    return draw_pictures(target, shop_of(target))


def pixels(picture):
    return np.asarray(Image.open(io.BytesIO(picture.png)).convert("RGB"), dtype=float)


def topics(pictures):
    return [picture.topic for picture in pictures]


def test_fewer_points_show_the_same(monkeypatch):
    target = layered(fine_target())
    shop = shop_of(target)
    few = [pixels(picture) for picture in draw_pictures(target, shop)]
    monkeypatch.setattr(unrolled, "MOST_RINGS", ALONG)
    monkeypatch.setattr(unrolled, "MOST_LINES", ACROSS)
    all_of_them = [pixels(picture) for picture in draw_pictures(target, shop)]
    for some, every in zip(few, all_of_them, strict=True):
        assert some.shape == every.shape
        # Labels find other places along their lines; all else is the same but for rounding.
        assert np.quantile(np.abs(some - every), 0.95) <= 2.0


def test_pictures_that_there_are(every):
    target = plain_rebuild.target()
    assert topics(draw_pictures(target)) == ["evidence", "evidence", "section"]
    assert topics(every) == ["evidence", "evidence", "section", "layers", "wall", "reach", "bed"]
    followed = ShopArrays(reach_left_mm=np.zeros(len(target.vertices_mm)))
    assert "reach" not in topics(draw_pictures(target, followed)), "a tool that follows needs no map"


def test_pictures_are_as_wide_as_the_page_and_no_higher(every):
    for picture in every:
        high, wide = pixels(picture).shape[:2]
        # 180 mm of an A4 sheet at 120 to 200 points an inch; three of them on one sheet.
        assert 850 <= wide <= 1417
        assert high < 0.5 * wide
        assert len(picture.png) < 250_000


@pytest.mark.parametrize(
    ("name", "topic"),
    [
        ("left_mm", "wall"),
        ("inner_mm", "section"),
        ("reach_left_mm", "reach"),
        ("bed_depth_mm", "bed"),
        ("angle_deg", "wall"),
        ("station_mm", "wall"),
    ],
)
def test_pictures_change_with_what_they_show(every, name, topic):
    target = layered(plain_rebuild.target())
    shop = shop_of(target)
    values = getattr(shop, name)
    changed = dataclasses.replace(shop, **{name: 1.02 * values + (3.0 if name == "station_mm" else 0.0)})
    if name == "angle_deg":
        changed = dataclasses.replace(shop, angle_deg=np.mod(values + 30.0, 360.0))
    if name == "inner_mm":
        changed = dataclasses.replace(shop, inner_mm=values * (1.05, 1.0, 1.0))
    drawn = draw_pictures(target, changed)
    at = topics(every).index(topic)
    assert every[at].png != drawn[at].png
    assert every[0].png == drawn[0].png or name in ("station_mm", "angle_deg")


def test_captions_state_limits_and_unit(every):
    band, _, section, layers, wall, reach, bed = every
    assert "0.010 to 0.030 mm, colours from 0.000 to 0.050 mm" in band.caption
    assert "to 0.450 mm, colours from 0.000 to 0.450 mm" in layers.caption
    assert "darkest where least" in wall.caption
    assert "0.000 to 0.100 mm, colours" in reach.caption
    # 0.1 + 1.4 mm are at most 0.4 of the radius of 16 mm when drawn three times as large.
    assert "3 times as large" in section.caption
    assert "down to 1.300 mm" in bed.caption
    # 40 mm on some 6.5 inches of paper, 1.43 mm on some 1.9.
    assert "some 8 times as large" in bed.caption


@pytest.mark.parametrize(("deepest", "times"), [(0.0, 1), (0.31, 20), (0.35, 10), (1.5, 3), (9.0, 1)])
def test_enlargement_leaves_the_section_open(deepest, times):
    turn = np.radians(np.arange(0, 360, 10))
    rings = 16.0 * np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)[None]
    assert _enlargement(deepest, rings) == times


@pytest.mark.parametrize("clockwise", [False, True])
@pytest.mark.parametrize("start_deg", [0.0, 75.0, 359.0])
def test_unrolled_values_lie_at_their_own_station_and_angle(clockwise, start_deg):
    """Whatever line the rings begin at and whichever way they run; second opinion: the function itself."""
    target = fine_target()
    angle = np.mod(start_deg + (-1.0 if clockwise else 1.0) * angles_of(target), 360.0)
    station = 2.0 * target.vertices_mm[:, 2] - 30.0
    flat = Unrolled(target, ShopArrays(station_mm=station, angle_deg=angle))
    found = flat.sampled(np.sin(np.radians(angle)) + 0.01 * station)
    assert flat.named
    assert (flat.stations_mm[0], flat.stations_mm[-1]) == (-30.0, 170.0)
    expected = np.sin(np.radians(flat.angles_deg)) + 0.01 * flat.stations_mm[:, None]
    # Half a line's width of 0.56 degrees leaves (0.0098 rad)^2 / 8 of the sine, 1.2e-5.
    assert np.abs(found - expected).max() < 2e-5
    ring = angle.reshape(target.shape)[5]
    for wanted in (0.0, 90.0, 359.9):
        off = abs((ring[flat.column_at(5, wanted)] - wanted + 180.0) % 360.0 - 180.0)
        assert off <= 0.5 * 360.0 / ACROSS + 1e-9


def test_unrolled_by_its_own_lines_where_places_are_not_known():
    target = fine_target()
    flat = Unrolled(target, ShopArrays())
    assert not flat.named
    assert flat.stations_mm[-1] == pytest.approx(100.0)
    assert flat.sampled(target.band95_mm).max() == pytest.approx(target.band95_mm.max(), rel=1e-4)


@pytest.mark.parametrize(("count", "most"), [(1, 5), (5, 5), (7, 5), (1000, 200)])
def test_places_reach_from_end_to_end(count, most):
    places = spread(count, most)
    assert len(places) == min(count, most)
    assert (places[0], places[-1]) == (0, count - 1)
    assert len(set(np.diff(places))) <= 2


def test_bed_is_drawn_where_it_lies():
    """A plain slope: ink on the line from the hole's edge to the outer surface, none off it."""
    target = plain_rebuild.target()
    shop = shop_of(target)
    slope = dataclasses.replace(shop, bed_depth_mm=1.3 * (1.0 - shop.bed_beyond_mm / 40.0))
    image = pixels(draw_pictures(target, slope)[-1])
    petrol = np.abs(image - (0x1F, 0x5F, 0x86)).sum(axis=2) < 60.0
    rows, columns = np.nonzero(petrol)
    straight = np.polyfit(columns, rows, 1)
    # A line 0.8 points thick is 1.4 dots wide at 130 dots an inch; slope and rounding add one more.
    assert np.abs(rows - np.polyval(straight, columns)).max() < 2.5
    assert np.ptp(columns) > 0.85 * image.shape[1]
    assert straight[0] < 0.0, "the bed rises away from the hole"


def test_a_step_around_a_patch_is_drawn_from_its_rings():
    """Such a target has more vertices than its rings, along the rim of the patch."""
    fit = fit_of(spline_of(SHAPES["cylinder"].point, 100.0, 12, 36), patch=round_patch())
    target = cut(fit, laid(fit, Layers(cover_mm=0.4, outside="step")), chord=0.05)
    assert len(target.vertices_mm) > target.shape[0] * target.shape[1]
    n = len(target.vertices_mm)
    shop = ShopArrays(
        station_mm=target.uv[:, 0] - 40.0,
        angle_deg=np.degrees(target.uv[:, 1]),
        wall_mm=np.full(n, 1.0),
        left_mm=1.0 - target.depth_mm,
        reach_left_mm=0.1 * target.depth_mm,
        inner_mm=target.outer_mm - target.normals,
    )
    assert len(draw_pictures(target, shop)) >= 5
    assert len(draw_pictures(target)) == 4, "the three of every target, and depths that differ"
