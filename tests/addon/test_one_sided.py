"""A dent on one side of a tube of the sample scan, marked by hand: the surface that was there comes back."""

import importlib
import json
import tomllib
from pathlib import Path

import bpy
import numpy as np
import pytest

from blender_scan import coordinates, select_points, set_coordinates, values

SCENE = Path(__file__).resolve().parents[2] / "sample_scenes" / "seat_cluster"
#: Put into the sample scan by its maker.
NOISE_MM = 0.03


@pytest.fixture
def off_the_truth(monkeypatch):
    """Distance to the sample's original surface, which is known as a formula."""
    monkeypatch.syspath_prepend(str(SCENE.parent))
    truth = importlib.import_module("truth")
    return lambda points: truth.truth_distance(SCENE, points)


def dented_sample(*, depth_mm, radius_mm, away_mm, turn_rad):
    """The sample scan with a round dent in the tube beyond its break; the scan and what the dent moved."""
    bpy.ops.wm.open_mainfile(filepath=str(SCENE / "seat_cluster.blend"))
    state = bpy.context.scene.gaploft
    damage = tomllib.loads((SCENE / "job.toml").read_text(encoding="utf-8"))["damage"]
    start, stop = (np.array(damage[end]) for end in ("from", "to"))
    along = (stop - start) / np.linalg.norm(stop - start)
    points = coordinates(state.scan)
    offset = points - stop - away_mm * along
    ring = (np.abs(offset @ along) < 15.0) & (np.linalg.norm(offset, axis=1) < 30.0)
    offset = offset - offset[ring].mean(axis=0)
    sideways = np.cross(along, [0.0, 0.0, 1.0])
    sideways /= np.linalg.norm(sideways)
    inwards = -np.cos(turn_rad) * sideways - np.sin(turn_rad) * np.cross(sideways, along)
    height = offset @ inwards
    across = np.linalg.norm(offset - height[:, None] * inwards, axis=1)
    pushed = (across < radius_mm) & (height < 0.0) & (np.linalg.norm(offset, axis=1) < 60.0)
    depth = np.where(pushed, depth_mm * np.cos(0.5 * np.pi * np.minimum(across / radius_mm, 1.0)) ** 2, 0.0)
    set_coordinates(state.scan, points + depth[:, None] * inwards)
    bpy.context.view_layer.objects.active = state.scan
    return state.scan, depth > NOISE_MM


def mark_painted(scan, mask):
    scan.data.attributes.new(".sculpt_mask", "FLOAT", "POINT").data.foreach_set("value", mask.astype("f4"))
    bpy.ops.gaploft.mark_damage(way="PAINTED")


def mark_selected(scan, mask):
    select_points(scan, mask)
    bpy.ops.gaploft.mark_damage(way="SELECTION")
    bpy.ops.object.mode_set(mode="OBJECT")


@pytest.mark.parametrize(
    ("mark", "dent"),
    [
        (mark_painted, {"depth_mm": 1.5, "radius_mm": 10.0, "away_mm": 50.0, "turn_rad": 2.0}),
        (mark_selected, {"depth_mm": 3.0, "radius_mm": 9.0, "away_mm": 45.0, "turn_rad": 4.0}),
    ],
)
def test_dent_of_the_sample_scan(mark, dent, off_the_truth):
    scan, mask = dented_sample(**dent)
    deepest = np.abs(off_the_truth(coordinates(scan)[mask])).max()
    assert deepest > 0.9 * dent["depth_mm"]
    mark(scan, mask)
    state = bpy.context.scene.gaploft
    assert len(state.damaged_area.data.vertices) == mask.sum()
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}

    off = np.abs(off_the_truth(coordinates(state.result)))
    rebuilt = values(state.result, "zone") == 1
    # Of the dent nothing is left: the surface is as good as single points of the intact scan are.
    assert off[rebuilt].max() < 3.0 * NOISE_MM
    assert (off[rebuilt] <= values(state.result, "band95")[rebuilt]).mean() >= 0.95
    # The rebuilt zone is the dent and its surroundings, not the tube all round.
    assert rebuilt.mean() < 0.5
    assert json.loads(state.report)["job"]["masked_vertices"] == mask.sum()
