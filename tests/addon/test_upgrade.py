"""Files that an earlier release saved: they open, and the work goes on where it was."""

import importlib
import json
from pathlib import Path

import bpy
import pytest

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
