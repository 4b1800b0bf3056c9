"""3MF files, read by two general libraries and as plain XML; none shares code with the writer.

lib3mf is the reader of those who keep the standard; it warns of whatever it finds against it.
"""

import hashlib
import zipfile
from xml.etree import ElementTree

import lib3mf
import numpy as np
import pytest
import trimesh

import plain_rebuild
from gaploft.errors import InputError
from gaploft.files import threemf
from gaploft.files.threemf import write_threemf

TARGET = plain_rebuild.target(shift=(123.456789, -0.00001, 1000.0))
packed = threemf._packed
#: Six digits behind the point.
PRINTED = 1e-6
CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"


@pytest.fixture
def written(tmp_path):
    path = tmp_path / "target.3mf"
    facts = write_threemf(
        path, TARGET.vertices_mm, TARGET.triangles, holds="machining target", frame="machine"
    )
    return path, facts


def xml_of(path):
    with zipfile.ZipFile(path) as package:
        assert package.testzip() is None
        return ElementTree.fromstring(package.read("3D/3dmodel.model"))


def read_by_lib3mf(path):
    """Unit, type of the only object, vertices and triangles; a file it warns of fails."""
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    meshes = model.GetMeshObjects()
    assert meshes.Count() == 1
    assert meshes.MoveNext()
    mesh = meshes.GetCurrentMeshObject()
    vertices = np.array([list(point.Coordinates) for point in mesh.GetVertices()])
    triangles = np.array([list(facet.Indices) for facet in mesh.GetTriangleIndices()])
    return model.GetUnit(), mesh, vertices, triangles


def test_the_consortiums_own_reader_finds_the_mesh_and_no_fault(written):
    unit, mesh, vertices, triangles = read_by_lib3mf(written[0])
    assert unit == lib3mf.ModelUnit.MilliMeter
    assert mesh.GetType() == lib3mf.ObjectType.Surface, "an open sleeve is no solid"
    np.testing.assert_array_equal(triangles, TARGET.triangles)
    # It keeps single precision, which has steps of 2**-13 between 1024 and 2048 (IEEE 754).
    assert np.abs(vertices - TARGET.vertices_mm).max() <= 0.5 * 2.0**-13 + PRINTED


def test_another_reader_finds_the_same_mesh(written):
    scene = trimesh.load_scene(written[0], process=False)
    (mesh,) = scene.geometry.values()
    assert scene.units == "millimeter"
    assert np.abs(mesh.vertices - TARGET.vertices_mm).max() <= 0.5001 * PRINTED
    np.testing.assert_array_equal(mesh.faces, TARGET.triangles)
    np.testing.assert_array_equal(
        np.array(scene.bounds), [mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)]
    )
    assert mesh.area == pytest.approx(written[1].area_mm2, rel=1e-9)


def test_numbers_are_printed_to_six_digits_and_no_zero_has_a_sign(written):
    root = xml_of(written[0])
    printed = [[vertex.get(axis) for axis in "xyz"] for vertex in root.iter(f"{CORE}vertex")]
    np.testing.assert_array_equal(np.array(printed, dtype=float), np.round(TARGET.vertices_mm, 6))
    flat = [number for row in printed for number in row]
    assert all(len(number.partition(".")[2]) == 6 for number in flat)
    assert "-0.000000" not in flat


def test_unit_title_and_frame_are_said_and_no_date(written):
    root = xml_of(written[0])
    assert root.get("unit") == "millimeter"
    said = {item.get("name"): item.text for item in root.iter(f"{CORE}metadata")}
    assert said == {
        "Title": "machining target",
        "Description": "unit mm, frame of the machine",
        "Application": "gaploft",
    }
    with zipfile.ZipFile(written[0]) as package:
        assert {entry.date_time for entry in package.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_facts_are_those_of_the_file(written):
    path, facts = written
    assert facts.file == "target.3mf"
    assert facts.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert facts.facets == len(TARGET.triangles)
    assert facts.manifold
    assert 0.0 < facts.rounding_mm <= 0.5001 * PRINTED
    n = plain_rebuild.N_V
    prism = 2 * n * 16 * np.sin(np.pi / n) * 100
    assert facts.area_mm2 == pytest.approx(prism, rel=1e-6)


def test_same_mesh_gives_same_bytes(written, tmp_path):
    again = write_threemf(
        tmp_path / "again.3mf",
        TARGET.vertices_mm.copy(),
        TARGET.triangles.astype(np.int64),
        holds="machining target",
        frame="machine",
    )
    assert again.sha256 == written[1].sha256


def test_closed_mesh_is_a_solid(tmp_path):
    """A cube of 20 mm: closed, so a body; volume 8000 mm3."""
    cube = trimesh.creation.box(extents=(20.0, 20.0, 20.0))
    write_threemf(tmp_path / "a.3mf", cube.vertices, cube.faces, holds="missing section")
    _, mesh, vertices, triangles = read_by_lib3mf(tmp_path / "a.3mf")
    assert mesh.GetType() == lib3mf.ObjectType.Model
    assert mesh.IsManifoldAndOriented()
    assert trimesh.Trimesh(vertices, triangles).volume == pytest.approx(8000.0, rel=1e-12)


def test_a_turned_facet_is_no_solid_and_is_said(tmp_path):
    cube = trimesh.creation.box(extents=(20.0, 20.0, 20.0))
    faces = cube.faces.copy()
    faces[0] = faces[0][::-1]
    assert not write_threemf(tmp_path / "a.3mf", cube.vertices, faces, holds="missing section").manifold
    assert b'type="surface"' in zipfile.ZipFile(tmp_path / "a.3mf").read("3D/3dmodel.model")


def test_words_with_meaning_in_xml_are_words(tmp_path):
    path = tmp_path / "a.3mf"
    write_threemf(path, TARGET.vertices_mm, TARGET.triangles, holds="<scan> & more")
    assert next(xml_of(path).iter(f"{CORE}metadata")).text == "<scan> & more"


def test_folder_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match="choose a folder that can be written to"):
        write_threemf(tmp_path / "none" / "a.3mf", TARGET.vertices_mm, TARGET.triangles, holds="target")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (lambda data: data[:-60], "can't be read back"),
        (lambda data: packed(b"<model>"), "can't be read back"),
        (lambda data: packed(b'<model unit="inch"/>'), "holds no mesh in mm"),
        (
            lambda data: packed(threemf._model(TARGET.vertices_mm + PRINTED, TARGET.triangles, "", "")),
            "hold the mesh",
        ),
        (
            lambda data: packed(threemf._model(TARGET.vertices_mm, TARGET.triangles[::-1], "", "")),
            "hold the mesh",
        ),
    ],
    ids=["torn", "no XML", "inch", "moved", "other facets"],
)
def test_what_is_not_the_mesh_is_not_kept(tmp_path, monkeypatch, spoil, sentence):
    monkeypatch.setattr(threemf, "_packed", lambda model: spoil(packed(model)))
    with pytest.raises(InputError, match=sentence):
        write_threemf(tmp_path / "a.3mf", TARGET.vertices_mm, TARGET.triangles, holds="target")
    assert not list(tmp_path.iterdir())
