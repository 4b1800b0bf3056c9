"""Several damages of one scan: each has its own marks, settings and results."""

import importlib
import json
import subprocess
import sys

import bpy
import numpy as np
import pytest

from blender_scan import FROM_MM, TO_MM, add_scan, coordinates, marked_and_rebuilt, tube_arrays

#: From one break to the other, mm.
APART_MM = 242.0


def twice_broken():
    """Two broken tubes in a line, the second a little thinner, as one scan."""
    vertices, quads, _ = tube_arrays()
    thinner = vertices * [0.8, 0.8, 1.0] + [0.0, 0.0, APART_MM]
    return add_scan(np.concatenate([vertices, thinner]), np.concatenate([quads, quads + len(vertices)]))


def test_each_damage_has_its_own_settings_and_results(blender):
    twice_broken()
    state = bpy.context.scene.gaploft
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    state.damage.cover_mm = 0.25
    bpy.ops.gaploft.rebuild()
    first = state.damage.report

    assert bpy.ops.gaploft.add_damage() == {"FINISHED"}
    assert state.damage_index == 1
    assert state.damage.cover_mm == pytest.approx(0.25)  # a frame is painted and laid up all alike
    assert not state.marked
    with pytest.raises(RuntimeError, match="Mark the damage first"):
        bpy.ops.gaploft.rebuild()
    shift = [0.0, 0.0, APART_MM]
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM + shift, to_point=TO_MM + shift)
    state.damage.cover_mm = 0.0
    bpy.ops.gaploft.rebuild()

    assert state.damages[0].report == first
    assert state.damages[0].cover_mm == pytest.approx(0.25)
    assert json.loads(state.damages[1].report)["job"]["cover_mm"] == 0.0
    low, high = (coordinates(damage.result)[:, 2].mean() for damage in state.damages)
    assert low == pytest.approx(120.0, abs=10.0)
    assert high == pytest.approx(120.0 + APART_MM, abs=10.0)
    assert [damage.name for damage in state.damages] == ["Damage", "Damage 2"]
    assert {damage.mark_from.name for damage in state.damages} == {"Damage From", "Damage 2 From"}


def test_one_goes_and_the_other_stays(blender):
    scan, _ = marked_and_rebuilt()
    state = bpy.context.scene.gaploft
    bpy.ops.gaploft.add_damage()
    bpy.ops.gaploft.mark_damage(from_point=(0, 0, 40.0), to_point=(0, 0, 60.0))
    names = {obj.name for obj in bpy.data.objects}
    kept = state.damages[1].uid
    state.damage_index = 0
    assert bpy.ops.gaploft.remove_damage() == {"FINISHED"}
    assert [damage.uid for damage in state.damages] == [kept]
    gone = names - {obj.name for obj in bpy.data.objects}
    assert gone == {"Damage From", "Damage To", "Rebuilt Surface", "Intact Flanks"}
    assert state.live("scan") == scan
    assert state.marked
    bpy.ops.gaploft.remove_damage()
    assert state.damage is None
    assert state.result is None
    with pytest.raises(RuntimeError, match="no damage on the list"):
        bpy.ops.gaploft.remove_damage()
    # A number is never given twice: what is kept of a damage can't be taken for another's.
    bpy.ops.gaploft.add_damage()
    assert state.damage.uid > kept


def test_settings_before_the_first_mark_make_the_damage_they_are_for(blender):
    state = bpy.context.scene.gaploft
    assert state.overlap_mm == pytest.approx(10.0)
    assert len(state.damages) == 0
    state.overlap_mm = 6.5
    assert [damage.overlap_mm for damage in state.damages] == [6.5]
    assert state.mark_from is None
    add_scan(*tube_arrays()[:2])
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    assert len(state.damages) == 1


def test_undo_takes_a_removed_damage_back(blender):
    marked_and_rebuilt()
    bpy.ops.ed.undo_push(message="rebuilt")
    bpy.ops.gaploft.remove_damage()
    bpy.ops.ed.undo_push(message="removed")
    assert bpy.context.scene.gaploft.damage is None
    bpy.ops.ed.undo()
    state = bpy.context.scene.gaploft
    assert state.marked
    assert state.live("result") is not None


def test_later_rebuilds_start_from_what_is_kept_and_equal_fresh_ones(blender, extension):
    task = importlib.import_module(f"{extension.__name__}.task")
    marked_and_rebuilt()
    state = bpy.context.scene.gaploft
    bpy.ops.gaploft.rebuild()
    told = []
    state.damage.cover_mm = 0.2
    work = task.task_of(bpy.context.scene, state.damage)
    again = work.run(lambda stage, share: told.append(stage))
    assert set(told) == {"mesh"}
    task.forget()
    told.clear()
    fresh = work.run(lambda stage, share: told.append(stage))
    assert {"read", "tube", "fit", "evidence", "mesh"} <= set(told)
    np.testing.assert_array_equal(again.target.vertices_mm, fresh.target.vertices_mm)
    np.testing.assert_array_equal(again.target.band95_mm, fresh.target.band95_mm)


def test_a_changed_scan_is_not_taken_for_the_one_before(blender, extension):
    task = importlib.import_module(f"{extension.__name__}.task")
    scan, _ = marked_and_rebuilt()
    bpy.ops.gaploft.rebuild()
    scan.data.vertices[0].co.x += 0.001
    told = []
    work = task.task_of(bpy.context.scene, bpy.context.scene.gaploft.damage)
    work.run(lambda stage, share: told.append(stage))
    assert "tube" in told


def test_a_setting_changed_while_the_rebuild_ran_is_told(blender, extension):
    task, outcome, settings = (
        importlib.import_module(f"{extension.__name__}.{name}") for name in ("task", "outcome", "settings")
    )
    marked_and_rebuilt()
    scene = bpy.context.scene
    damage = scene.gaploft.damage
    work = task.task_of(scene, damage)
    rebuilt = work.run(lambda stage, share: None)
    damage.cover_mm = 0.3
    outcome.keep(scene, damage, work, rebuilt)
    assert settings.is_stale(scene, damage)
    damage.cover_mm = 0.0
    assert not settings.is_stale(scene, damage)


def test_hand_work_does_not_go_without_a_word(blender, capfd):
    marked_and_rebuilt()
    damage = bpy.context.scene.gaploft.damage
    bpy.ops.gaploft.rebuild()
    assert "by hand is gone" not in capfd.readouterr().out
    bpy.ops.gaploft.touch_up()
    bpy.ops.gaploft.touch_done()
    bpy.ops.gaploft.rebuild()
    assert "by hand is gone: undo brings it back" in capfd.readouterr().out
    assert damage.live("touched") is None
    assert damage.live("result").visible_get()


def test_a_saved_file_opens_in_a_blender_without_the_extension(blender, tmp_path):
    """What is in it are plain objects, meshes and attributes."""
    marked_and_rebuilt()
    file = tmp_path / "job.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(file))
    code = (
        "import bpy, sys; bpy.ops.wm.read_homefile(use_factory_startup=True);"
        "bpy.ops.wm.open_mainfile(filepath=sys.argv[1]); mesh = bpy.data.objects['Rebuilt Surface'].data;"
        "assert not hasattr(bpy.context.scene, 'gaploft');"
        "print('points', len(mesh.vertices), sorted(a.name for a in mesh.attributes))"
    )
    environment = {"BLENDER_USER_RESOURCES": str(tmp_path / "nobody"), "PATH": ""}
    done = subprocess.run(
        [sys.executable, "-c", code, str(file)],
        capture_output=True,
        text=True,
        check=False,
        env=environment,
    )
    assert done.returncode == 0, done.stderr
    result = bpy.context.scene.gaploft.result
    assert f"points {len(result.data.vertices)}" in done.stdout
    assert "'band95'" in done.stdout
    assert "'zone'" in done.stdout
