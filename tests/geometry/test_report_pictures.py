"""Pictures of fine targets are drawn from fewer points and show the same."""

import dataclasses
import io

import numpy as np
import pytest
from PIL import Image

import plain_rebuild
from gaploft.report import pictures

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
        shape=(ALONG, ACROSS),
    )


def pixels(picture):
    return np.asarray(Image.open(io.BytesIO(picture.png)).convert("RGB"), dtype=float)


def test_fewer_points_show_the_same(monkeypatch):
    target = fine_target()
    few = [pixels(picture) for picture in pictures.draw_pictures(target)]
    monkeypatch.setattr(pictures, "_MOST_RINGS", ALONG)
    monkeypatch.setattr(pictures, "_MOST_LINES", ACROSS + 1)
    all_of_them = [pixels(picture) for picture in pictures.draw_pictures(target)]
    for some, every in zip(few, all_of_them, strict=True):
        assert some.shape == every.shape
        # Labels find other places along their lines; all else is the same but for rounding.
        assert np.quantile(np.abs(some - every), 0.95) <= 2.0


@pytest.mark.parametrize(("count", "most"), [(1, 5), (5, 5), (7, 5), (1000, 200)])
def test_places_reach_from_end_to_end(count, most):
    places = pictures._spread(count, most)
    assert len(places) == min(count, most)
    assert (places[0], places[-1]) == (0, count - 1)
    assert len(set(np.diff(places))) <= 2
