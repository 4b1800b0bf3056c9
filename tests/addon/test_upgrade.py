"""Files that an earlier release saved: they open, and the work goes on where it was."""

import importlib
import json
from pathlib import Path

import bpy
import numpy as np
import pytest

from blender_scan import values

#: Saved by the release before damages were a list (Blender 4.5): a made-up tube, marked and rebuilt with an
#: overlap of 6.5 mm, facets of 0.1 mm, plies of 0.3 mm and the 'to' half to be re-seated.
OLD_FILE = Path(__file__).parent / "files" / "state_version_1.blend"


@pytest.fixture
def old_state(blender):
    bpy.ops.wm.open_mainfile(filepath=str(OLD_FILE))
    return bpy.context.scene.gaploft


def test_what_was_one_damage_is_the_first_of_the_list(old_state):
    assert len(old_state.damages) == 1
    damage = old_state.damage
    assert (damage.overlap_mm, damage.halves) == (6.5, "TO")
    assert damage.chord_tolerance_mm == pytest.approx(0.1)
    assert damage.cover_mm == pytest.approx(0.3)
    assert damage.marked
    assert old_state.live("scan") is not None
    assert damage.result.name == "Rebuilt Surface"
    assert json.loads(damage.report)["gap"]["length_mm"] == pytest.approx(30.0, abs=12.0)


def test_the_work_goes_on(old_state, tmp_path):
    assert bpy.ops.gaploft.recheck() == {"FINISHED"}
    assert bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl")) == {"FINISHED"}
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert bpy.context.scene.gaploft.result.name == "Rebuilt Surface"


def test_upgraded_once_and_for_all(old_state, extension, tmp_path):
    upgrade = importlib.import_module(f"{extension.__name__}.upgrade")
    assert not upgrade.upgrade(bpy.context.scene)
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "again.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "again.blend"))
    assert len(bpy.context.scene.gaploft.damages) == 1


def test_a_file_without_a_job_stays_without(blender, extension, tmp_path):
    upgrade = importlib.import_module(f"{extension.__name__}.upgrade")
    assert not upgrade.upgrade(bpy.context.scene)
    assert len(bpy.context.scene.gaploft.damages) == 0


#: Saved by the release before layers were a table (Blender 4.5): a made-up tube, marked and rebuilt with
#: paint of 0.1 mm and plies of 0.3 mm, touched up by 0.02 mm in the middle; a second damage is marked only.
FILE_2 = OLD_FILE.with_name("state_version_2.blend")


@pytest.fixture
def state_2(blender):
    bpy.ops.wm.open_mainfile(filepath=str(FILE_2))
    return bpy.context.scene.gaploft


def test_a_list_without_a_workshop_is_kept(state_2, extension):
    settings = importlib.import_module(f"{extension.__name__}.settings")
    first, second = state_2.damages
    assert (first.paint_mm, first.cover_mm) == (pytest.approx(0.1), pytest.approx(0.3))
    assert (first.outside, first.tight, first.filler_mm) == ("SAME", "REFUSE", 0.0)
    assert (second.halves, second.report) == ("TO", "")
    assert not first.shop.wall_on
    assert not settings.is_stale(bpy.context.scene, first)
    upgrade = importlib.import_module(f"{extension.__name__}.upgrade")
    assert not upgrade.upgrade(bpy.context.scene)


def test_a_surface_of_one_depth_knows_it_at_each_point(state_2):
    for surface in (state_2.damage.result, state_2.damage.touched):
        np.testing.assert_allclose(values(surface, "depth"), 0.4, atol=1e-6)


def test_hand_work_of_before_is_exported(state_2, tmp_path):
    assert bpy.ops.gaploft.recheck() == {"FINISHED"}
    assert bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl")) == {"FINISHED"}
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    assert report["hand"]["normal_mm"][0] == pytest.approx(-0.02, abs=0.002)
    state_2.damage.shop.wall_on, state_2.damage.shop.wall_mm = True, 1.2
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert state_2.damage.inner.name == "Inner Surface"


#: Saved by the release before other ways than the flanks were asked for (Blender 4.5): a made-up tube, marked
#: and rebuilt with readings of paint that runs out, facets of 0.1 mm and a tool; a second one is marked only.
FILE_3 = OLD_FILE.with_name("state_version_3.blend")


@pytest.fixture
def state_3(blender):
    bpy.ops.wm.open_mainfile(filepath=str(FILE_3))
    return bpy.context.scene.gaploft


def test_a_damage_without_ways_asks_for_none(state_3, extension):
    settings, upgrade = (
        importlib.import_module(f"{extension.__name__}.{name}") for name in ("settings", "upgrade")
    )
    first, second = state_3.damages
    assert state_3.version == 5
    assert (len(first.shop.readings), first.outside, second.halves) == (2, "BLEND", "TO")
    assert (first.ways.asked, first.ways.use, state_3.shelf_folder) == ([], "BEST", "")
    assert not settings.is_stale(bpy.context.scene, first)
    assert not upgrade.upgrade(bpy.context.scene)
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert json.loads(first.report)["source"]["used"] == "loft"


#: Saved by the release before patches (Blender 4.5): a made-up tube, marked and rebuilt from its flanks with
#: a spare section beside them, facets of 0.2 mm and an overlap of 7.5 mm; a second one is marked only.
FILE_4 = OLD_FILE.with_name("state_version_4.blend")


@pytest.fixture
def state_4(blender):
    bpy.ops.wm.open_mainfile(filepath=str(FILE_4))
    return bpy.context.scene.gaploft


def test_a_damage_without_a_patch_asks_for_one_where_needed(state_4, extension):
    settings, upgrade = (
        importlib.import_module(f"{extension.__name__}.{name}") for name in ("settings", "upgrade")
    )
    first, second = state_4.damages
    assert state_4.version == 5
    assert (first.overlap_mm, first.ways.asked, first.ways.use) == (7.5, ["DONOR"], "LOFT")
    assert second.halves == "TO"
    for damage in (first, second):
        assert damage.marked
        assert (damage.patch.use, len(damage.patch.creases), len(damage.patch.guides)) == ("AUTO", 0, 0)
    assert not settings.is_stale(bpy.context.scene, first)
    assert not upgrade.upgrade(bpy.context.scene)
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert {way["name"] for way in json.loads(first.report)["source"]["ways"]} == {"loft", "donor"}
