"""Exporting beyond the numbers: the page, reading back, names, several damages, and what is refused."""

import json
import re
import resource

import bpy
import numpy as np
import pytest

from blender_scan import (
    FROM_MM,
    TO_MM,
    add_scan,
    coordinates,
    marked_and_rebuilt,
    set_coordinates,
    tube_arrays,
)
from gaploft.files import read_back as reading


def export(folder, name="target.stl"):
    return bpy.ops.gaploft.export_target(filepath=str(folder / name))


def names_in(folder):
    return sorted(path.name for path in folder.iterdir())


def infos(capfd):
    """What the operators have said; Blender prints reports when there is no window."""
    return [line for line in capfd.readouterr().out.splitlines() if line.startswith("Info:")]


def test_page_stands_alone_and_shows_pictures(tmp_path):
    marked_and_rebuilt()
    export(tmp_path)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert not re.search(r"https?:|<script|<link|url\(|src=\"(?!data:)", page)
    pictures = re.findall(r'src="data:image/png;base64,([^"]+)"', page)
    assert len(pictures) == 3
    assert all(len(picture) > 10_000 for picture in pictures)
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    assert report["target"]["sha256"] in page
    assert "Nothing was changed by hand" in page


def test_page_tells_what_the_hand_changed(tmp_path):
    _, result = marked_and_rebuilt()
    points = coordinates(result)
    points[:, 0] += 0.5
    set_coordinates(result, points)
    export(tmp_path)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "The target is not as computed" in page
    assert "hand_changes" in page


def test_message_confirms_what_was_read_back(tmp_path, capfd):
    _, result = marked_and_rebuilt()
    infos(capfd)
    export(tmp_path)
    (line,) = infos(capfd)
    size = " × ".join(f"{edge:.1f}" for edge in np.ptp(coordinates(result), axis=0))
    assert f"read back: {2 * len(result.data.polygons)} facets, {size} mm" in line


def test_file_that_reads_back_otherwise_leaves_nothing(tmp_path, monkeypatch):
    marked_and_rebuilt()
    honest = reading.parse_mesh
    monkeypatch.setattr(
        reading, "parse_mesh", lambda data, **how: honest(data[:80] + b"\1\0\0\0" + data[84:], **how)
    )
    with pytest.raises(RuntimeError, match="read back from the disk and is not what was written"):
        export(tmp_path)
    assert not names_in(tmp_path)
    assert not bpy.context.scene.gaploft.damage.exported


def test_disk_without_room_leaves_the_earlier_files(tmp_path):
    _, result = marked_and_rebuilt()
    export(tmp_path)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    set_coordinates(result, coordinates(result) + 0.01)
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (len(before["target.ply"]) - 1000, limits[1]))
    try:
        with pytest.raises(RuntimeError, match="can't be written"):
            export(tmp_path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_scan_of_the_same_name_beside_it_is_kept(tmp_path):
    marked_and_rebuilt()
    (tmp_path / "stay.ply").write_bytes(b"ply\nformat ascii 1.0\n")
    with pytest.raises(RuntimeError, match="is there already and not from an export"):
        export(tmp_path, "stay.stl")
    assert names_in(tmp_path) == ["stay.ply"]


def test_scene_remembers_what_was_written(tmp_path):
    _, result = marked_and_rebuilt()
    export(tmp_path)
    damage = bpy.context.scene.gaploft.damage
    kept, report = json.loads(damage.exported), json.loads((tmp_path / "report.json").read_text())
    assert kept["folder"] == str(tmp_path)
    assert sorted(kept["files"]) == names_in(tmp_path)
    assert kept["facets"] == 2 * len(result.data.polygons)
    assert kept["sha256"] == report["target"]["sha256"]
    assert kept["built_with"] == damage.built_with


def two_damages():
    """A tube with two gaps, both rebuilt."""
    vertices, quads, _ = tube_arrays()
    shifted = vertices + [0.0, 0.0, 240.0]
    add_scan(np.vstack([vertices, shifted]), np.vstack([quads, quads + len(vertices)]), name="Down Tube")
    state = bpy.context.scene.gaploft
    for shift in (0.0, 240.0):
        if state.damages:
            state.add_damage()
        bpy.ops.gaploft.mark_damage(from_point=FROM_MM + [0, 0, shift], to_point=TO_MM + [0, 0, shift])
        assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    return state


def test_all_damages_go_into_one_folder(tmp_path, capfd):
    state = two_damages()
    infos(capfd)
    assert bpy.ops.gaploft.export_all(directory=str(tmp_path)) == {"FINISHED"}
    facets = sum(2 * len(damage.result.data.polygons) for damage in state.damages)
    (line,) = infos(capfd)
    assert f"2 targets with PLY and reports; read back: {facets} facets in all" in line
    endings = (".ply", ".stl", "_flanks.ply", "_report.html", "_report.json")
    stems = [f"Down_Tube_{name}_target_mm" for name in ("Damage", "Damage_2")]
    assert names_in(tmp_path) == sorted(f"{stem}{end}" for stem in stems for end in endings)
    gaps = [json.loads((tmp_path / f"{stem}_report.json").read_text())["job"]["from_mm"][2] for stem in stems]
    assert gaps == pytest.approx([FROM_MM[2], FROM_MM[2] + 240.0])
    assert all(damage.exported for damage in state.damages)


def test_one_damage_that_is_stale_keeps_all_back(tmp_path):
    state = two_damages()
    state.damages[0].cover_mm = 0.3
    with pytest.raises(RuntimeError, match="'Damage': damage or settings were changed"):
        bpy.ops.gaploft.export_all(directory=str(tmp_path))
    assert not names_in(tmp_path)
    assert export(tmp_path) == {"FINISHED"}, "the other one, which is worked on, is as it was rebuilt"


def test_damages_of_one_name_get_names_of_their_own(tmp_path):
    state = two_damages()
    state.damages[1].name = "Damage"
    bpy.ops.gaploft.export_all(directory=str(tmp_path))
    assert [name for name in names_in(tmp_path) if name.endswith(".stl")] == [
        "Down_Tube_Damage_2_target_mm.stl",
        "Down_Tube_Damage_target_mm.stl",
    ]


def test_export_all_asks_for_a_surface_and_a_folder(tmp_path):
    with pytest.raises(RuntimeError, match="Rebuild the surface of a damage first"):
        bpy.ops.gaploft.export_all(directory=str(tmp_path))
    marked_and_rebuilt()
    with pytest.raises(RuntimeError, match="does not exist"):
        bpy.ops.gaploft.export_all(directory=str(tmp_path / "missing"))


def test_writing_in_the_background_starts_from_a_dialog_only():
    marked_and_rebuilt()
    with pytest.raises(RuntimeError, match="Choose a file with Export Target first"):
        bpy.ops.gaploft.write_target()


def test_refused_rebuild_has_nothing_to_export(tmp_path):
    marked_and_rebuilt()
    damage = bpy.context.scene.gaploft.damage
    damage.report = json.dumps(json.loads(damage.report) | {"verdict": "refused"})
    with pytest.raises(RuntimeError, match="the last rebuild was refused"):
        export(tmp_path)
    bpy.data.objects.remove(damage.result)
    with pytest.raises(RuntimeError, match="The last rebuild was refused: there is no target"):
        export(tmp_path)
    assert not names_in(tmp_path)


def test_one_export_at_a_time(tmp_path, extension, monkeypatch):
    marked_and_rebuilt()
    monkeypatch.setattr(extension.ops_write.GAPLOFT_OT_write_target, "running", ("write", 0.5))
    with pytest.raises(RuntimeError, match="An export is running"):
        export(tmp_path)
    with pytest.raises(RuntimeError, match="An export is running"):
        bpy.ops.gaploft.export_all(directory=str(tmp_path))
