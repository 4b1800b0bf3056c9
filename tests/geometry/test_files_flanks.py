"""The flanks' points, read back by a reader that shares no code with the writer."""

import hashlib

import numpy as np
import pytest
import trimesh

import plain_rebuild
from gaploft.errors import InputError
from gaploft.files.flanks import write_flanks

TARGET = plain_rebuild.target()


def test_points_and_normals_come_back(tmp_path):
    path = tmp_path / "flanks.ply"
    written = write_flanks(path, TARGET.vertices_mm, TARGET.normals, frame="machine")
    cloud = trimesh.load(path, process=False)
    np.testing.assert_array_equal(cloud.vertices, TARGET.vertices_mm.astype(np.float32))
    data = cloud.metadata["_ply_raw"]["vertex"]["data"]
    for axis, name in enumerate(("nx", "ny", "nz")):
        np.testing.assert_array_equal(data[name].ravel(), TARGET.normals[:, axis].astype(np.float32))
    assert written.file == "flanks.ply"
    assert written.points == len(TARGET.vertices_mm)
    assert written.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    again = write_flanks(tmp_path / "again.ply", TARGET.vertices_mm, TARGET.normals, frame="machine")
    assert again.sha256 == written.sha256


def test_header_says_what_the_points_are(tmp_path):
    write_flanks(tmp_path / "a.ply", TARGET.vertices_mm, TARGET.normals)
    head = (tmp_path / "a.ply").read_bytes().split(b"end_header\n")[0].decode("ascii").splitlines()
    assert head[:2] == ["ply", "format binary_little_endian 1.0"]
    assert head[2] == "comment gaploft intact flanks, unit mm, frame of the scan"
    assert "beyond the target" in head[3]
    assert [line for line in head if line.startswith("property")] == [
        f"property float {name}" for name in ("x", "y", "z", "nx", "ny", "nz")
    ]


def test_flanks_without_points_are_an_empty_file_of_their_kind(tmp_path):
    assert write_flanks(tmp_path / "a.ply", np.zeros((0, 3)), np.zeros((0, 3))).points == 0
    assert b"element vertex 0\n" in (tmp_path / "a.ply").read_bytes()


def test_folder_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match="choose a folder that can be written to"):
        write_flanks(tmp_path / "none" / "a.ply", TARGET.vertices_mm, TARGET.normals)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("rows", [(5, 4), (5, 2)])
def test_points_and_normals_go_together(tmp_path, rows):
    with pytest.raises(ValueError, match="alike"):
        write_flanks(tmp_path / "a.ply", np.zeros((rows[0], 3)), np.zeros((rows[1], 3)))
