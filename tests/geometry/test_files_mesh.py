"""Target files against their published layouts, read by two readers that share no code with the writer."""

import dataclasses
import hashlib

import numpy as np
import pytest
import trimesh

import plain_rebuild
import plain_tube
from gaploft.errors import InputError
from gaploft.files.facts import must_equal
from gaploft.files.ply import write_ply
from gaploft.files.stl import write_stl, write_stl_mesh
from gaploft.files.whole import write_whole

TARGET = plain_rebuild.target()
CORNERS = TARGET.vertices_mm.astype(np.float32)[TARGET.triangles]


@pytest.fixture
def stl(tmp_path):
    path = tmp_path / "target.stl"
    return path, write_stl(path, TARGET)


@pytest.fixture
def ply(tmp_path):
    path = tmp_path / "target.ply"
    return path, write_ply(path, TARGET)


def test_stl_keeps_its_published_layout(stl):
    path, written = stl
    header, normals, corners = plain_tube.read_stl(path)
    assert not header.lower().startswith(b"solid")
    assert b"unit mm" in header
    assert header.isascii()
    np.testing.assert_array_equal(corners, CORNERS)
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    cross /= np.linalg.norm(cross, axis=1)[:, None]
    np.testing.assert_allclose(normals, cross, atol=1e-6)
    assert (np.einsum("ij,ij->i", normals[:, :2], corners.mean(axis=1)[:, :2]) > 0).all(), "outward"
    assert written.facets == len(corners)


def test_another_reader_finds_the_same_sleeve(stl):
    path, written = stl
    mesh = trimesh.load_mesh(path)
    assert len(mesh.faces) == written.facets
    assert mesh.is_winding_consistent
    assert written.manifold
    assert written.area_mm2 == pytest.approx(mesh.area, rel=1e-6)
    edges, count = np.unique(np.sort(mesh.edges, axis=1), axis=0, return_counts=True)
    assert set(count) == {1, 2}
    assert len(edges[count == 1]) == 2 * plain_rebuild.N_V


def test_area_is_that_of_the_prism(stl):
    """The sleeve is a prism over a regular polygon: perimeter 2 n R sin(pi/n), times its length."""
    n = plain_rebuild.N_V
    assert stl[1].area_mm2 == pytest.approx(2 * n * 16 * np.sin(np.pi / n) * 100, rel=1e-6)


def test_hash_is_that_of_the_file(stl, ply):
    for path, written in (stl, ply):
        assert written.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        assert written.file == path.name


def test_ply_carries_normal_band_depth_and_zone(ply):
    path, written = ply
    head = path.read_bytes().split(b"end_header\n")[0].decode("ascii").splitlines()
    assert head[:2] == ["ply", "format binary_little_endian 1.0"]
    properties = [line.removeprefix("property ") for line in head if line.startswith("property")]
    names = ("x", "y", "z", "nx", "ny", "nz", "band95", "depth")
    assert properties[:9] == [*(f"float {name}" for name in names), "uchar zone"]
    mesh = trimesh.load_mesh(path, process=False)
    np.testing.assert_array_equal(mesh.vertices, TARGET.vertices_mm.astype(np.float32))
    np.testing.assert_array_equal(mesh.faces, TARGET.triangles)
    data = mesh.metadata["_ply_raw"]["vertex"]["data"]
    np.testing.assert_array_equal(data["band95"].ravel(), TARGET.band95_mm.astype(np.float32))
    np.testing.assert_array_equal(data["depth"].ravel(), TARGET.depth_mm.astype(np.float32))
    np.testing.assert_array_equal(data["zone"].ravel(), TARGET.zone)
    np.testing.assert_array_equal(data["nx"].ravel(), TARGET.normals[:, 0].astype(np.float32))
    assert written.manifold


@pytest.mark.parametrize("frame", ["scan", "machine"])
def test_header_names_unit_and_frame(tmp_path, frame):
    write_stl(tmp_path / "a.stl", TARGET, frame=frame)
    write_ply(tmp_path / "a.ply", TARGET, frame=frame)
    for name in ("a.stl", "a.ply"):
        assert f"unit mm, frame of the {frame}".encode() in (tmp_path / name).read_bytes()[:200]


def test_any_mesh_can_be_written(tmp_path):
    written = write_stl_mesh(
        tmp_path / "a.stl", TARGET.vertices_mm, TARGET.triangles, holds="missing section"
    )
    header, _, corners = plain_tube.read_stl(tmp_path / "a.stl")
    assert header.startswith(b"gaploft missing section, unit mm, frame of the scan")
    np.testing.assert_array_equal(corners, CORNERS)
    assert written.facets == len(corners)


def test_same_target_gives_same_bytes(tmp_path):
    for name, write in (("a.stl", write_stl), ("a.ply", write_ply)):
        one = write(tmp_path / name, TARGET)
        two = write(tmp_path / f"again_{name}", plain_rebuild.target())
        assert one.sha256 == two.sha256


@pytest.mark.parametrize("spoil", ["turned", "repeated", "collapsed"])
def test_what_is_no_surface_is_said(tmp_path, spoil):
    triangles = TARGET.triangles.copy()
    if spoil == "turned":
        triangles[5] = triangles[5][::-1]
    elif spoil == "repeated":
        triangles = np.concatenate([triangles, triangles[:1]])
    else:
        triangles[5, 1] = triangles[5, 0]
    spoilt = dataclasses.replace(TARGET, triangles=triangles)
    assert not write_stl(tmp_path / "a.stl", spoilt).manifold
    assert not write_ply(tmp_path / "a.ply", spoilt).manifold


def test_rounding_is_half_a_unit_in_the_last_place(tmp_path):
    """float32 holds 24 bits: neighbours between 2**19 and 2**20 lie 2**-4 apart (IEEE 754)."""
    written = write_stl(tmp_path / "a.stl", plain_rebuild.target(shift=(600_000.0, 0.0, 0.0)))
    assert 0.5 * 2.0**-5 < written.rounding_mm <= 0.5 * 2.0**-4


def test_facet_without_area_has_no_normal(tmp_path):
    triangles = TARGET.triangles.copy()
    triangles[5, 1] = triangles[5, 0]
    write_stl(tmp_path / "a.stl", dataclasses.replace(TARGET, triangles=triangles))
    assert plain_tube.read_stl(tmp_path / "a.stl")[1][5].tolist() == [0.0, 0.0, 0.0]


@pytest.mark.parametrize("write", [write_stl, write_ply])
def test_folder_that_can_not_be_written_to(tmp_path, write):
    (tmp_path / "file").write_bytes(b"")
    for folder in (tmp_path / "none", tmp_path / "file"):
        with pytest.raises(InputError, match="choose a folder that can be written to"):
            write(folder / "target.stl", TARGET)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_full_disk_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "a.bin"
    path.write_bytes(b"old")

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("gaploft.files.whole.os.fsync", full)
    with pytest.raises(InputError, match="No space left on device"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_what_comes_back_changed_is_not_kept(tmp_path, monkeypatch):
    path = tmp_path / "a.bin"
    path.write_bytes(b"old")
    monkeypatch.setattr("pathlib.Path.read_bytes", lambda self: b"rotten")
    with pytest.raises(InputError, match="came back from the disk changed"):
        write_whole(path, b"new")
    monkeypatch.undo()
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_check_that_fails_stops_the_writing(tmp_path):
    path = tmp_path / "a.bin"
    with pytest.raises(InputError, match="doesn't hold the mesh"):
        write_whole(path, b"new", check=lambda back: must_equal(np.zeros(3), np.ones(3), path))
    assert not list(tmp_path.iterdir())
