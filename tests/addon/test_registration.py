"""The extension comes and goes without a trace, explains itself, and stays a thin layer."""

import ast
import inspect
from pathlib import Path

import bpy
import pytest

from blender_scan import FROM_MM, TO_MM, add_scan, marked_and_rebuilt, tube_arrays

SOURCES = Path(__file__).resolve().parents[2] / "addon" / "gaploft_addon"
#: Along Blender's side imports go this way only.
ORDER = (
    *("words", "alive", "live", "polls", "stage_texts"),
    *("ply_state", "shop_state", "stock_state", "ways_state", "patch_state", "frame_state", "damage_state"),
    *("mesh_io", "curve_io", "raw_scan", "region_io", "surface_io", "draw"),
    *("worker", "background"),
    *("shown_values", "overlay", "ghost_tint", "look", "section_data", "show_state"),
    *("brushes", "touch_state", "properties", "shop_job", "upgrade", "touch_io"),
    *("ways_job", "ways_maps", "patch_job", "settings", "task", "patch_told", "outcome"),
    *("guiding", "guide_move", "frame_job", "layout"),
    *("pens", "view", "scan_check", "rings", "ring_draw", "sight", "pointing", "reading_draw"),
    *("ops_show", "legend", "section_draw", "watch", "panel_show"),
    *(
        "ops_damage",
        "ops_scan",
        "importing",
        "ops_import",
        "ops_ring",
        "ops_list",
        "ops_rebuild",
        "ops_recheck",
        "guide_live",
        "ops_readings",
        "ops_zero",
        "ops_plies",
        "ops_donor",
        "ops_ways",
        "ops_crease",
        "ops_guide",
        "ops_solve",
        "ops_touch",
        "ops_back",
        "target_io",
        "export_task",
        "ops_write",
        "shelf_task",
        "ops_shelf",
        "export_dialog",
        "ops_export",
        "ops_frame",
        "stock_task",
        "ops_measured",
        "ops_stock",
        "ops_stock_report",
    ),
    *(
        "panel_scan",
        "panel_bed",
        "panel_shop",
        "panel_shelf",
        "panel_ways",
        "panel_patch",
        "panel_rebuild",
        "panel_touch",
        "panel_frame",
    ),
    *("panel_frame", "panel_export", "panel_stock", "__init__"),
)


def ours():
    names = {name for name in dir(bpy.types) if name.startswith("GAPLOFT_")}
    operators = set(dir(bpy.ops.gaploft))
    return names, operators, "gaploft" in bpy.types.Scene.bl_rna.properties


def test_register_unregister_register_leaves_nothing(extension):
    before = ours()
    assert len(before[1]) == len([cls for cls in extension.CLASSES if issubclass(cls, bpy.types.Operator)])
    extension.unregister()
    assert ours() == (set(), set(), False)
    assert not hasattr(bpy.types.Scene, "gaploft")
    extension.register()
    assert ours() == before


def test_everything_explains_itself(extension):
    for cls in extension.CLASSES:
        assert inspect.getdoc(cls), cls
        own = {name for base in cls.__mro__ for name in vars(base).get("__annotations__", {})}
        for prop in cls.bl_rna.properties:
            if prop.identifier in own and not prop.is_hidden:
                assert prop.name, f"{cls.__name__}.{prop.identifier}"
                assert prop.description, f"{cls.__name__}.{prop.identifier}"
                if prop.type == "ENUM":
                    assert all(item.description for item in prop.enum_items)


def test_lengths_name_their_unit(extension):
    groups = [cls for cls in extension.CLASSES if issubclass(cls, bpy.types.PropertyGroup)]
    assert len(groups) > 5
    for prop in (prop for group in groups for prop in group.bl_rna.properties):
        if prop.identifier.endswith("_mm"):
            assert prop.name.endswith("(mm)")
            assert "millimetre" in prop.description


def test_imports_go_one_way():
    assert {path.stem for path in SOURCES.glob("*.py")} == set(ORDER)
    for path in SOURCES.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.ImportFrom):
                continue
            if node.level == 0:
                assert not (node.module or "").startswith("gaploft_addon"), path
                continue
            used = [node.module] if node.module else [alias.name for alias in node.names]
            assert all(ORDER.index(name) < ORDER.index(path.stem) for name in used), (path.name, used)


def test_state_starts_empty_and_belongs_to_its_scene():
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    other = bpy.data.scenes.new("Other")
    assert other.gaploft.scan is None
    assert other.gaploft.scan_unit == "mm"


def test_panels_are_in_the_order_of_the_work(extension):
    panels = [cls for cls in extension.CLASSES if issubclass(cls, bpy.types.Panel)]
    assert [panel.bl_label[0] for panel in panels] == ["1", "2", "3", "4", "5", "6", "7"]
    assert {panel.bl_category for panel in panels} == {"Gaploft"}


def test_undo_takes_marks_and_surface_back():
    bpy.ops.ed.undo_push(message="before")
    vertices, quads, _ = tube_arrays()
    add_scan(vertices, quads)
    bpy.ops.ed.undo_push(message="scan")
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    bpy.ops.ed.undo_push(message="marked")
    bpy.ops.gaploft.rebuild()
    bpy.ops.ed.undo_push(message="rebuilt")
    assert bpy.context.scene.gaploft.result is not None
    bpy.ops.ed.undo()
    assert bpy.context.scene.gaploft.result is None
    assert "Rebuilt Surface" not in bpy.data.objects
    assert bpy.context.scene.gaploft.mark_from is not None
    bpy.ops.ed.undo()
    assert bpy.context.scene.gaploft.mark_from is None
    assert "scan" in bpy.data.objects
    bpy.ops.ed.redo()
    bpy.ops.ed.redo()
    assert bpy.ops.gaploft.recheck() == {"FINISHED"}


@pytest.mark.parametrize("way", ["data", "operator"])
def test_deleting_our_objects_by_hand_does_no_harm(tmp_path, way):
    """Blender's own delete leaves an object alive that a property points to; it must count as gone."""
    marked_and_rebuilt()
    state = bpy.context.scene.gaploft
    gone = [state.result, state.mark_to]
    if way == "data":
        for obj in gone:
            bpy.data.objects.remove(obj)
    else:
        with bpy.context.temp_override(selected_objects=gone):
            bpy.ops.object.delete()
    with pytest.raises(RuntimeError, match="Rebuild the surface first"):
        bpy.ops.gaploft.export_target(filepath=str(tmp_path / "target.stl"))
    with pytest.raises(RuntimeError, match="Mark the damage first"):
        bpy.ops.gaploft.rebuild()
    bpy.ops.gaploft.mark_damage(from_point=FROM_MM, to_point=TO_MM)
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert state.result.name == "Rebuilt Surface"
    assert bpy.ops.gaploft.recheck() == {"FINISHED"}
