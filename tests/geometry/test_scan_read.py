"""Reading scans: three formats against one tube, files of trimesh, and every file that must be refused."""

import hashlib
import struct

import numpy as np
import pytest
import trimesh

import plain_tube
from gaploft.errors import Cancelled, InputError
from gaploft.scan.read import read_scan

TUBE = plain_tube.open_tube(n_u=31, n_v=24)


def write(path, vertices=TUBE[0], faces=TUBE[1]):
    """Write the tube in the format that the file name says."""
    if path.name.endswith("text.stl"):
        plain_tube.write_text_stl(path, vertices, faces)
    elif path.suffix == ".stl":
        plain_tube.write_stl(path, vertices, faces)
    else:
        mesh = trimesh.Trimesh(vertices, faces, process=False)
        path.write_bytes(_exported(mesh, path.suffix[1:]))
    return path


def _exported(mesh, kind):
    data = mesh.export(file_type=kind)
    return data.encode() if isinstance(data, str) else data


def same_tube(scan, vertices_mm, faces, *, within):
    """Hold each triangle of a scan to the tube's, corner by corner."""
    found = scan.vertices_mm[scan.faces]
    np.testing.assert_allclose(found, vertices_mm[faces], rtol=0, atol=within)


@pytest.mark.parametrize("name", ["a.stl", "text.stl", "a.ply", "a.obj", "A.STL"])
def test_each_format_gives_the_tube(tmp_path, name):
    path = write(tmp_path / name) if name != "A.STL" else write(tmp_path / "a.stl").rename(tmp_path / name)
    scan = read_scan(path, "mm")
    assert scan.vertices_mm.shape == TUBE[0].shape, "a soup is welded"
    assert scan.vertices_mm.dtype == np.float64
    assert scan.faces.dtype == np.int32
    same_tube(scan, *TUBE, within=300 * 2.0**-24)  # half a unit in the last place of float32
    assert scan.notes == ()
    assert scan.source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert scan.source.file == path.name


def test_text_stl_keeps_double_precision(tmp_path):
    scan = read_scan(write(tmp_path / "text.stl"), "mm")
    same_tube(scan, *TUBE, within=0.0)


@pytest.mark.parametrize(("unit", "factor"), [("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("in", 25.4)])
def test_unit_is_converted_at_the_door(tmp_path, unit, factor):
    """The inch is 25.4 mm exactly, by the agreement of 1959."""
    vertices, faces = TUBE
    path = write(tmp_path / "text.stl", vertices / factor, faces)
    same_tube(read_scan(path, unit), vertices, faces, within=1e-12 * 300)


def test_stl_vertices_are_numbered_by_facet_and_corner(tmp_path):
    scan = read_scan(write(tmp_path / "a.stl"), "mm")
    vertices, faces = TUBE
    assert scan.source.vertices == 3 * len(faces) == len(scan.vertex_of_source)
    np.testing.assert_allclose(
        scan.vertices_mm[scan.vertex_of_source[3 * 100 + 2]], vertices[faces[100, 2]], atol=1e-5
    )


@pytest.mark.parametrize("suffix", [".ply", ".obj"])
def test_indexed_files_keep_their_numbering(tmp_path, suffix):
    vertices, faces = TUBE
    lone = np.array([[1.0, 2.0, 3.0]])
    path = write(tmp_path / f"a{suffix}", np.concatenate([lone, vertices]), faces + 1)
    scan = read_scan(path, "mm")
    assert scan.vertex_of_source[0] == -1
    np.testing.assert_allclose(scan.vertices_mm[scan.vertex_of_source[1:]], vertices, atol=1e-5)
    assert [note.code for note in scan.notes] == ["unused_vertices"]


def test_obj_with_texture_normals_quads_groups_and_materials(tmp_path):
    path = tmp_path / "a.obj"
    path.write_text(
        "# exported\nmtllib none.mtl\no part\n"
        "v 0 0 0\nv 100 0 0\nv 100 100 0\nv 0 100 0\nv 0 0 100\nvt 0 0\nvn 0 0 1\nvn 1 0 0\n"
        "usemtl red\nf 1/1/1 2/1/2 3/1/1 4/1/2\ng other\nusemtl blue\nf 1//1 5//2 2//1\nf -5 -2 -1\n"
    )
    scan = read_scan(path, "mm")
    assert scan.source.vertices == 5
    assert scan.source.faces == 4
    assert sorted(scan.vertex_of_source) == [0, 1, 2, 3, 4]


def test_binary_stl_that_begins_with_solid_is_told_by_its_size(tmp_path):
    path = tmp_path / "a.stl"
    plain_tube.write_stl(path, *TUBE, header=b"solid but binary")
    assert len(read_scan(path, "mm").faces) == len(TUBE[1])


def test_bytes_after_the_last_facet_are_ignored(tmp_path):
    path = write(tmp_path / "a.stl")
    path.write_bytes(path.read_bytes() + b"appended")
    assert len(read_scan(path, "mm").faces) == len(TUBE[1])


def test_double_ply_keeps_its_digits(tmp_path):
    vertices, faces = TUBE
    head = (
        f"ply\nformat binary_big_endian 1.0\nelement vertex {len(vertices)}\nproperty double x\n"
        f"property double y\nproperty double z\nelement face {len(faces)}\n"
        "property list uchar int vertex_index\nend_header\n"
    )
    body = b"".join(struct.pack(">B3i", 3, *face) for face in faces)
    path = tmp_path / "a.ply"
    path.write_bytes(head.encode() + vertices.astype(">f8").tobytes() + body)
    same_tube(read_scan(path, "mm"), vertices, faces, within=0.0)


def test_file_is_not_changed_and_reading_twice_is_the_same(tmp_path):
    path = write(tmp_path / "a.stl")
    before = path.read_bytes()
    one, two = read_scan(path, "mm"), read_scan(path, "mm")
    assert path.read_bytes() == before
    for name in ("vertices_mm", "faces", "normals", "vertex_of_source"):
        assert getattr(one, name).tobytes() == getattr(two, name).tobytes()


def test_progress_runs_up_to_the_end_and_can_stop(tmp_path):
    path = write(tmp_path / "a.stl")
    shares = []
    read_scan(path, "mm", progress=lambda stage, share: shares.append((stage, share)))
    assert {stage for stage, _ in shares} == {"read"}
    assert shares == sorted(shares)
    assert shares[-1] == ("read", 1.0)

    def stop(stage, share):
        raise Cancelled

    with pytest.raises(Cancelled):
        read_scan(path, "mm", progress=stop)


def test_unknown_unit(tmp_path):
    with pytest.raises(InputError, match="'furlong', but must be one of mm, cm, m, in"):
        read_scan(write(tmp_path / "a.stl"), "furlong")


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match="there is no file"):
        read_scan(tmp_path / "none.stl", "mm")


def test_folder_instead_of_file(tmp_path):
    with pytest.raises(InputError, match="is a folder"):
        read_scan(tmp_path, "mm")


def test_file_that_the_system_refuses(tmp_path):
    (tmp_path / "a.stl").write_bytes(b"x")
    with pytest.raises(InputError, match=r"can't be read: Not a directory"):
        read_scan(tmp_path / "a.stl" / "b.stl", "mm")


@pytest.mark.parametrize("content", [b"", b"\n \n"])
@pytest.mark.parametrize("suffix", ["stl", "ply", "obj"])
def test_empty_file(tmp_path, suffix, content):
    path = tmp_path / f"a.{suffix}"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"is empty"):
        read_scan(path, "mm")


def test_unknown_kind(tmp_path):
    path = tmp_path / "a.step"
    path.write_bytes(b"ISO-10303-21;")
    with pytest.raises(InputError, match="STL, PLY or OBJ"):
        read_scan(path, "mm")


@pytest.mark.parametrize("cut", [1, 49, 50, 12_345])
def test_truncated_stl(tmp_path, cut):
    path = write(tmp_path / "a.stl")
    path.write_bytes(path.read_bytes()[:-cut])
    with pytest.raises(InputError, match=r"cut short, it announces 1,440 facets \(72,084 bytes\) but has"):
        read_scan(path, "mm")


def test_truncated_stl_that_begins_with_solid(tmp_path):
    path = tmp_path / "a.stl"
    plain_tube.write_stl(path, *TUBE, header=b"solid but binary")
    path.write_bytes(path.read_bytes()[:-7])
    with pytest.raises(InputError, match="cut short"):
        read_scan(path, "mm")


def test_stl_shorter_than_its_header(tmp_path):
    path = tmp_path / "a.stl"
    path.write_bytes(b"too short")
    with pytest.raises(InputError, match="9 bytes"):
        read_scan(path, "mm")


def test_truncated_text_stl(tmp_path):
    path = write(tmp_path / "text.stl")
    path.write_text(path.read_text()[:-200])
    with pytest.raises(InputError, match="last line is missing"):
        read_scan(path, "mm")


def test_garbled_text_stl(tmp_path):
    path = write(tmp_path / "text.stl")
    path.write_text(path.read_text().replace("vertex 16.0 0.0 0.0", "vertex 16.0 zero 0.0"))
    with pytest.raises(InputError, match="can't be read as STL"):
        read_scan(path, "mm")


@pytest.mark.parametrize("suffix", ["ply", "obj"])
def test_truncated_ply_and_garbled_obj(tmp_path, suffix):
    path = write(tmp_path / f"a.{suffix}")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2] if suffix == "ply" else data.replace(b"f ", b"f x"))
    with pytest.raises(InputError, match=r"can't be read as|holds no faces"):
        read_scan(path, "mm")


@pytest.mark.parametrize("n_lost", [1, 700])
def test_truncated_text_ply(tmp_path, n_lost):
    path = tmp_path / "a.ply"
    mesh = trimesh.Trimesh(*TUBE, process=False)
    path.write_bytes(trimesh.exchange.ply.export_ply(mesh, encoding="ascii"))
    assert len(read_scan(path, "mm").faces) == len(TUBE[1])
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join(lines[:-n_lost]))
    with pytest.raises(InputError, match=r"announces 2,184 vertices and faces but holds"):
        read_scan(path, "mm")


def test_points_without_faces(tmp_path):
    path = tmp_path / "a.ply"
    path.write_bytes(_exported(trimesh.PointCloud(TUBE[0]), "ply"))
    with pytest.raises(InputError, match="holds no faces"):
        read_scan(path, "mm")


def test_stl_without_facets(tmp_path):
    path = tmp_path / "a.stl"
    path.write_bytes(b"nothing in here".ljust(84, b"\0"))
    with pytest.raises(InputError, match="holds no faces"):
        read_scan(path, "mm")


@pytest.mark.parametrize("index", ["9", "-9"])
def test_faces_that_point_nowhere(tmp_path, index):
    path = tmp_path / "a.obj"
    path.write_text(f"v 0 0 0\nv 100 0 0\nv 0 100 0\nf 1 2 {index}\n")
    with pytest.raises(InputError, match=r"point at vertices|can't be read as OBJ"):
        read_scan(path, "mm")


def test_ply_face_that_points_nowhere(tmp_path):
    path = tmp_path / "a.ply"
    path.write_text(
        "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
        "element face 1\nproperty list uchar int vertex_index\nend_header\n"
        "0 0 0\n100 0 0\n0 100 0\n3 0 1 7\n"
    )
    with pytest.raises(InputError, match="point at vertices it doesn't hold"):
        read_scan(path, "mm")


def test_out_of_memory_is_not_taken_for_a_broken_file(tmp_path, monkeypatch):
    def full(data, file):
        raise MemoryError

    monkeypatch.setattr("gaploft.scan.parse._parse_stl", full)
    with pytest.raises(MemoryError):
        read_scan(write(tmp_path / "a.stl"), "mm")
