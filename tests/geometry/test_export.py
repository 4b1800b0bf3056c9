"""Exports out of a host: whole or not at all, read back from the disk, over nobody's own files."""

import dataclasses
import json
import re
import resource

import numpy as np
import pytest
import trimesh

import plain_rebuild
from gaploft.errors import Cancelled, InputError
from gaploft.files import read_back as reading
from gaploft.files.read_back import read_back
from gaploft.files.stl import write_stl
from gaploft.report.export import Export, write_exports
from gaploft.report.numbers import as_dict
from gaploft.target.moved import moved_target

TARGET = plain_rebuild.target()


def export(file="target.stl", target=TARGET, **more):
    report = as_dict(plain_rebuild.rebuild(), None)
    report["target"]["chord_error_mm"] = target.chord_error_mm
    return Export(file, target, report, **more)


def names_in(folder):
    return sorted(path.name for path in folder.iterdir())


def test_four_files_whose_reports_know_the_written_target(tmp_path):
    (done,) = write_exports(tmp_path, [export()])
    assert sorted(done.names) == names_in(tmp_path)
    assert done.names == ("target.stl", "target.ply", "report.json", "report.html")
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    mesh = trimesh.load_mesh(tmp_path / "target.stl")
    assert report["target"]["facets"] == done.read_back.facets == len(mesh.faces)
    np.testing.assert_allclose(done.read_back.size_mm, mesh.extents, rtol=1e-6)
    assert done.sha256 in page
    assert report["target"]["sha256"] == done.sha256
    assert page.count("data:image/png;base64,") == 3
    assert not re.search(r"https?:|<script|<link|url\(", page), "the page stands alone"


def test_other_names_and_several_targets(tmp_path):
    shifted = dataclasses.replace(TARGET, vertices_mm=TARGET.vertices_mm + [100.0, 0.0, 0.0])
    done = write_exports(tmp_path, [export("left.STL"), export("right.stl", shifted)])
    assert names_in(tmp_path) == sorted(done[0].names + done[1].names)
    assert done[0].names == ("left.STL", "left.ply", "left_report.json", "left_report.html")
    found = trimesh.load_mesh(tmp_path / "right.stl").bounds - trimesh.load_mesh(tmp_path / "left.STL").bounds
    np.testing.assert_allclose(found, [[100.0, 0.0, 0.0]] * 2, atol=1e-4)


def test_same_again_replaces_with_the_same_bytes(tmp_path):
    write_exports(tmp_path, [export()])
    first = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    write_exports(tmp_path, [export()])
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == first


def test_rounding_of_the_host_counts(tmp_path):
    (done,) = write_exports(tmp_path, [export(rounding_mm=0.5)])
    assert [note.code for note in done.notes] == ["far_from_origin"]
    assert done.verdict == "check"
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    assert report["verdict"] == "check"
    assert report["target"]["rounding_mm"] >= 0.5


@pytest.mark.parametrize("name", ["target.ply", "report.json", "report.html"])
def test_somebodys_own_file_beside_it_is_never_replaced(tmp_path, name):
    (tmp_path / name).write_bytes(b"ply\nformat binary_little_endian 1.0\ncomment my scan\n")
    with pytest.raises(InputError, match=f"{name} is there already and not from an export"):
        write_exports(tmp_path, [export()])
    assert names_in(tmp_path) == [name]


def test_folder_that_refuses_is_told(tmp_path):
    file = tmp_path / "file"
    file.touch()
    with pytest.raises(InputError, match="can't be written"):
        write_exports(file / "below", [export()])


def test_disk_without_room_leaves_the_earlier_files(tmp_path):
    write_exports(tmp_path, [export()])
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    room = len(before["target.stl"]) - 1000  # the STL comes first
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, limits[1]))
    try:
        with pytest.raises(InputError, match="can't be written"):
            write_exports(tmp_path, [export(target=moved_target(TARGET, TARGET.vertices_mm + 1.0))])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize("stop_at", [0.0, 0.2, 0.3, 0.9, 1.0])
def test_stopping_leaves_nothing(tmp_path, stop_at):
    def stop(stage, share):
        assert stage == "write"
        if share >= stop_at:
            raise Cancelled

    with pytest.raises(Cancelled):
        write_exports(tmp_path, [export()], progress=stop)
    assert not names_in(tmp_path)


def damaged(change):
    """A reader that finds something else in the file than was written."""
    honest = reading.parse_mesh

    def parse(data, *, suffix, file):
        return change(honest(data, suffix=suffix, file=file))

    return parse


def shifted(mesh):
    vertices = mesh.vertices.copy()
    vertices[7, 1] += 1e-3
    return dataclasses.replace(mesh, vertices=vertices)


def unknown(mesh):
    vertices = mesh.vertices.copy()
    vertices[7, 1] = np.nan
    return dataclasses.replace(mesh, vertices=vertices)


def fewer(mesh):
    return dataclasses.replace(mesh, faces=mesh.faces[1:])


@pytest.mark.parametrize(
    ("change", "sentence"),
    [(shifted, "off by up to 0.001 mm"), (unknown, "corners are off"), (fewer, "facets instead of")],
)
def test_file_that_reads_back_otherwise_leaves_nothing(tmp_path, monkeypatch, change, sentence):
    monkeypatch.setattr(reading, "parse_mesh", damaged(change))
    with pytest.raises(InputError, match=sentence):
        write_exports(tmp_path, [export()])
    assert not names_in(tmp_path)


def test_sound_file_reads_back_within_single_precision(tmp_path):
    far = dataclasses.replace(TARGET, vertices_mm=TARGET.vertices_mm + 1234.56789)
    write_stl(tmp_path / "a.stl", far)
    found = read_back(tmp_path / "a.stl", far)
    assert found.facets == len(far.triangles)
    np.testing.assert_allclose(found.size_mm, np.ptp(far.vertices_mm, axis=0), atol=2.5e-4)


@pytest.mark.parametrize("left", [0, 100, 84 + 50 * 10])
def test_short_file_is_told(tmp_path, left):
    path = tmp_path / "a.stl"
    write_stl(path, TARGET)
    path.write_bytes(path.read_bytes()[:left])
    with pytest.raises(InputError, match=r"a\.stl was read back .* it can't be read"):
        read_back(path, TARGET)
    path.unlink()
    with pytest.raises(InputError, match="it can't be read"):
        read_back(path, TARGET)


def test_moved_target_has_its_own_normals_and_a_band_as_wide_as_the_move():
    """A round sleeve that grows by 0.5 mm keeps its normals; pushed along its axis it keeps its band, too."""
    grown = moved_target(TARGET, TARGET.vertices_mm + 0.5 * TARGET.normals)
    np.testing.assert_allclose(grown.band95_mm, TARGET.band95_mm + 0.5)
    inner = slice(plain_rebuild.N_V, -plain_rebuild.N_V)  # a point of an end ring has facets on one side only
    np.testing.assert_allclose(grown.normals[inner], TARGET.normals[inner], atol=1e-12)
    along = moved_target(TARGET, TARGET.vertices_mm + [0.0, 0.0, 3.0])
    np.testing.assert_allclose(along.band95_mm, TARGET.band95_mm, atol=1e-12)
