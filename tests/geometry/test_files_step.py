"""The smooth surface as STEP, read back by the CAD kernel and held against closed forms.

The kernel evaluates and projects by itself here; nothing of the reader in the library takes part.
"""

import hashlib
import subprocess
import sys

import numpy as np
import pytest
from OCP.BRep import BRep_Tool
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepGProp import BRepGProp
from OCP.GeomAPI import GeomAPI_ProjectPointOnSurf
from OCP.gp import gp_Pnt, gp_Vec
from OCP.GProp import GProp_GProps
from OCP.STEPControl import STEPControl_Reader
from OCP.TopAbs import TopAbs_FACE, TopAbs_REVERSED
from OCP.TopExp import TopExp_Explorer
from OCP.TopoDS import TopoDS
from scipy.spatial.transform import Rotation

from closed_surfaces import SHAPES, spline_of
from gaploft.errors import InputError
from gaploft.files import step_net
from gaploft.files.step import write_step
from gaploft.files.step_back import distances, read_surfaces
from gaploft.files.step_kernel import silent
from gaploft.files.step_net import depth_net
from gaploft.surface.basis import TURN_RAD

#: Neither of them on a knot of the splines below, which lie 10 mm apart.
STATIONS = (12.0, 77.0)
U, V = np.linspace(*STATIONS, 27), np.arange(48) * (TURN_RAD / 48)


def surface_of(shape, length=100.0):
    return spline_of(SHAPES[shape].point, length, 10, 24)


def below(surface, depth, u=U, v=V):
    """Points of the mesh, (n, 3), ``depth`` below the surface along its outward normal."""
    uu, vv = np.meshgrid(u, v, indexing="ij")
    off = depth(uu, vv)[..., None] if callable(depth) else depth
    return (surface.evaluate(uu, vv) - off * surface.normals(uu, vv)).reshape(-1, 3)


def faces_of(path):
    """Faces that the kernel finds in a file."""
    with silent():
        reader = STEPControl_Reader()
        reader.ReadFile(str(path))
        reader.TransferRoots()
        explorer, found = TopExp_Explorer(reader.OneShape(), TopAbs_FACE), []
    while explorer.More():
        found.append(TopoDS.Face(explorer.Current()))
        explorer.Next()
    return found


def kernel_distances(face, points):
    surface = BRep_Tool.Surface_s(face)
    return np.array(
        [GeomAPI_ProjectPointOnSurf(gp_Pnt(*map(float, p)), surface).LowerDistance() for p in points]
    )


def places_on(face, n=9):
    """Points of a face and its outward normals as the kernel has them, (n * n, 3) each."""
    surface = BRep_Tool.Surface_s(face)
    a, b, c, d = surface.Bounds()
    points, normals = [], []
    for s in np.linspace(a, b, n, endpoint=False):
        for t in np.linspace(c, d, n):
            point, by_s, by_t = gp_Pnt(), gp_Vec(), gp_Vec()
            surface.D1(float(s), float(t), point, by_s, by_t)
            normal = by_s.Crossed(by_t).Normalized()
            sign = -1.0 if face.Orientation() == TopAbs_REVERSED else 1.0
            points.append([point.X(), point.Y(), point.Z()])
            normals.append([sign * normal.X(), sign * normal.Y(), sign * normal.Z()])
    return np.array(points), np.array(normals)


@pytest.mark.parametrize("shape", SHAPES)
def test_surface_itself_is_carried_over_exactly(tmp_path, shape):
    surface = surface_of(shape)
    written = write_step(tmp_path / "a.step", surface, STATIONS, vertices_mm=below(surface, 0.0))
    (face,) = faces_of(tmp_path / "a.step")
    points = below(surface, 0.0)
    size = np.ptp(points, axis=0).max()
    # The file has twelve digits.
    assert kernel_distances(face, points[::7]).max() <= 1e-10 * size
    assert written.largest_mm <= 1e-10 * size
    assert (written.file, written.faces) == ("a.step", 1)
    assert written.sha256 == hashlib.sha256((tmp_path / "a.step").read_bytes()).hexdigest()


@pytest.mark.parametrize("shape", SHAPES)
def test_kernel_finds_nothing_wrong_with_the_face(tmp_path, shape):
    surface = surface_of(shape)
    write_step(tmp_path / "a.step", surface, STATIONS, depth_mm=0.3, vertices_mm=below(surface, 0.3))
    (face,) = faces_of(tmp_path / "a.step")
    assert BRepCheck_Analyzer(face).IsValid()


def test_spline_keeps_its_knots_and_degree(tmp_path):
    surface = surface_of("torus")
    write_step(tmp_path / "a.step", surface, STATIONS, vertices_mm=below(surface, 0.0))
    kernel = BRep_Tool.Surface_s(faces_of(tmp_path / "a.step")[0])
    along = [kernel.VKnot(i + 1) for i in range(kernel.NbVKnots())]
    np.testing.assert_allclose(along, [12, 20, 30, 40, 50, 60, 70, 77], rtol=1e-12)
    times = [kernel.VMultiplicity(i + 1) for i in range(kernel.NbVKnots())]
    assert times == [5, 1, 1, 1, 1, 1, 1, 5]
    around = [kernel.UKnot(i + 1) for i in range(kernel.NbUKnots())]
    np.testing.assert_allclose(around, np.arange(25) * (TURN_RAD / 24), atol=1e-11)
    assert (kernel.UDegree(), kernel.VDegree()) == (4, 4)
    assert kernel.IsUClosed()
    assert not kernel.IsURational()


def test_whole_surface_keeps_its_own_poles():
    surface = surface_of("cone")
    net = depth_net(surface, surface.range_u, 0.0, 1e-9)
    np.testing.assert_allclose(net.poles_mm, surface.coefficients, atol=1e-11 * 300.0)
    np.testing.assert_array_equal(net.knots_u, surface.basis.knots_u)


@pytest.mark.parametrize("depth", [0.35, 4.0, -0.25])
def test_offset_is_that_of_the_closed_form(tmp_path, depth):
    """Cylinder of radius 16 less the depth. The spline of the cylinder itself is 2e-5 mm off at most."""
    surface = surface_of("cylinder")
    own = np.abs(np.hypot(*below(surface, 0.0)[:, :2].T) - 16.0).max()
    assert own < 2e-5
    written = write_step(
        tmp_path / "a.step", surface, STATIONS, depth_mm=depth, vertices_mm=below(surface, depth)
    )
    points, normals = places_on(faces_of(tmp_path / "a.step")[0])
    np.testing.assert_allclose(np.hypot(*points[:, :2].T), 16.0 - depth, atol=0.001)
    np.testing.assert_allclose(normals[:, :2] * (16.0 - depth), points[:, :2], atol=0.01)
    np.testing.assert_allclose([points[:, 2].min(), points[:, 2].max()], STATIONS, atol=0.001)
    assert written.largest_mm < 0.001


def test_area_is_that_of_the_closed_form(tmp_path):
    """By the kernel's own integration: lateral area of a cylinder, 2 pi r l."""
    surface = surface_of("cylinder")
    write_step(tmp_path / "a.step", surface, STATIONS, depth_mm=0.35, vertices_mm=below(surface, 0.35))
    facts = GProp_GProps()
    BRepGProp.SurfaceProperties_s(faces_of(tmp_path / "a.step")[0], facts)
    assert facts.Mass() == pytest.approx(2.0 * np.pi * 15.65 * 65.0, rel=1e-6)


def changing(u, v):
    """Layers that change along and around the tube, with two waves a turn."""
    return 0.3 + 0.1 * np.cos(2.0 * v) * np.sin(u / 15.0)


@pytest.mark.parametrize("shape", ["torus", "ellipse"])
def test_layers_that_change_are_followed(tmp_path, shape):
    surface = surface_of(shape)
    u, v = np.linspace(*STATIONS, 31), np.arange(37) * (TURN_RAD / 37)
    points = below(surface, changing, u, v)
    written = write_step(tmp_path / "a.step", surface, STATIONS, depth_mm=changing, vertices_mm=points)
    away = kernel_distances(faces_of(tmp_path / "a.step")[0], points[::11])
    assert away.max() < 0.001
    assert written.largest_mm >= away.max() - 1e-7


@pytest.mark.parametrize("shape", ["cone", "torus"])
def test_normals_point_outward_whichever_way_the_surface_was_turned(tmp_path, shape):
    surface = surface_of(shape)
    write_step(tmp_path / "a.step", surface, STATIONS, vertices_mm=below(surface, 0.0))
    points, normals = places_on(faces_of(tmp_path / "a.step")[0])
    deeper = below(surface, 1.0)
    for point, normal in zip(points, normals, strict=True):
        inner = deeper[np.argmin(np.linalg.norm(deeper - point, axis=1))]
        assert (point - inner) @ normal > 0.5


def test_surface_goes_into_the_frame_of_the_machine(tmp_path):
    surface = surface_of("ellipse")
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec([0.5, -1.0, 0.2]).as_matrix()
    matrix[:3, 3] = -120.0, 45.0, 300.0
    points = below(surface, 0.2) @ matrix[:3, :3].T + matrix[:3, 3]
    write_step(
        tmp_path / "a.step",
        surface,
        STATIONS,
        depth_mm=0.2,
        vertices_mm=points,
        matrix=matrix,
        frame="machine",
    )
    assert kernel_distances(faces_of(tmp_path / "a.step")[0], points[::17]).max() < 0.001
    assert b"frame of the machine" in (tmp_path / "a.step").read_bytes()[:300]


def test_layers_may_end_in_a_step_between_faces(tmp_path):
    surface, breaks = surface_of("cylinder"), (30.0, 60.0)

    def depth(u, v):
        return np.where((u > 30.0) & (u < 60.0), 0.35, 0.0) + 0.0 * v

    inside = np.linspace(30.001, 59.999, 9)
    points = below(surface, depth, np.concatenate([[12.0, 20.0, 30.0], inside, [60.0, 77.0]]))
    written = write_step(
        tmp_path / "a.step", surface, STATIONS, depth_mm=depth, breaks_mm=breaks, vertices_mm=points
    )
    assert written.faces == 3
    assert written.largest_mm < 0.001
    radii = [np.hypot(*places_on(face)[0][:, :2].T) for face in faces_of(tmp_path / "a.step")]
    for found, wanted in zip(radii, (16.0, 15.65, 16.0), strict=True):
        np.testing.assert_allclose(found, wanted, atol=0.001)


def test_file_says_unit_and_standard_and_no_date(tmp_path, capfd):
    surface = surface_of("cylinder")
    write_step(tmp_path / "a.step", surface, STATIONS, vertices_mm=below(surface, 0.0))
    assert capfd.readouterr() == ("", ""), "the kernel keeps quiet"
    text = (tmp_path / "a.step").read_text(encoding="ascii")
    assert text.startswith("ISO-10303-21;")
    assert text.rstrip().endswith("END-ISO-10303-21;")
    assert "AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }" in text
    assert "SI_UNIT(.MILLI.,.METRE.)" in text
    assert "'1970-01-01T00:00:00'" in text
    assert "unit mm, frame of the scan" in text


def test_same_surface_gives_same_bytes_also_in_another_process(tmp_path):
    surface = surface_of("torus")
    points = below(surface, 0.3)
    hashes = {
        write_step(tmp_path / "a.step", surface, STATIONS, depth_mm=0.3, vertices_mm=points).sha256
        for _ in range(2)
    }
    script = (
        "import sys; sys.path[:0] = sys.argv[2:]\n"
        "from pathlib import Path\n"
        "import test_files_step as t\n"
        "s = t.surface_of('torus')\n"
        "path = Path(sys.argv[1])\n"
        "print(t.write_step(path, s, t.STATIONS, depth_mm=0.3, vertices_mm=t.below(s, 0.3)).sha256)\n"
    )
    here = __file__.rpartition("test_files_step")[0]
    command = [sys.executable, "-c", script, str(tmp_path / "a.step"), here, f"{here}.."]
    again = subprocess.run(command, capture_output=True, text=True, check=True)
    assert hashes == {again.stdout.strip()}


def test_a_mesh_changed_by_hand_is_refused(tmp_path):
    surface = surface_of("cylinder")
    points = below(surface, 0.3)
    points[100] *= (1.002, 1.002, 1.0)
    with pytest.raises(InputError, match=r"lies up to 0\.031\d mm off .* can't hold changes by hand"):
        write_step(tmp_path / "a.step", surface, STATIONS, depth_mm=0.3, vertices_mm=points)
    assert not list(tmp_path.iterdir())


def test_a_mesh_that_is_no_number_is_a_bug(tmp_path):
    surface = surface_of("cylinder")
    with pytest.raises(ValueError, match="not finite"):
        write_step(tmp_path / "a.step", surface, STATIONS, vertices_mm=np.full((3, 3), np.nan))
    assert not list(tmp_path.iterdir())


def test_layers_that_jump_within_a_face_are_refused(tmp_path):
    surface = surface_of("cylinder")

    def depth(u, v):
        return np.where(u + 0.0 * v > 40.0, 0.35, 0.0)

    with pytest.raises(InputError, match=r"change too abruptly for STEP: .* at most 0\.0005 mm"):
        write_step(tmp_path / "a.step", surface, STATIONS, depth_mm=depth, vertices_mm=below(surface, depth))
    assert not list(tmp_path.iterdir())


def test_a_bend_in_the_layers_is_followed_as_far_as_a_net_may_grow(monkeypatch):
    """Slope changes by 0.02 at once. Straight pieces between knots h apart are off by 0.02 h / 8 at most,
    by elementary geometry, and a smoother spline swings past it no more than twice as far."""
    surface = surface_of("cylinder")

    def depth(u, v):
        return 0.3 + 0.01 * np.abs(u - 43.7) + 0.0 * v

    coarse, fine = (depth_net(surface, STATIONS, depth, each) for each in (0.004, 0.0005))
    assert fine.error_mm <= 0.0005 < coarse.error_mm <= 0.004
    assert fine.spans_v == 24
    for net in (coarse, fine):
        assert net.error_mm <= 0.02 * np.diff(net.knots_u).max() / 4.0
    monkeypatch.setattr(step_net, "_MOST_POLES", 1000)
    with pytest.raises(InputError, match="change too abruptly for STEP"):
        depth_net(surface, STATIONS, depth, 0.0005)


def test_without_a_kernel_one_sentence_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "OCP.STEPControl", None)
    surface = surface_of("cylinder")
    with pytest.raises(InputError, match=r"pip install gaploft\[step\]"):
        write_step(tmp_path / "a.step", surface, STATIONS, vertices_mm=below(surface, 0.0))
    assert not list(tmp_path.iterdir())


def test_stations_have_to_rise_within_the_surface(tmp_path):
    surface = surface_of("cylinder")
    for stations, breaks in (
        ((-1.0, 50.0), ()),
        ((50.0, 101.0), ()),
        ((50.0, 50.0), ()),
        ((10.0, 50.0), (60.0,)),
    ):
        with pytest.raises(ValueError, match="do not rise within"):
            write_step(
                tmp_path / "a.step", surface, stations, breaks_mm=breaks, vertices_mm=below(surface, 0.0)
            )


def test_folder_that_is_not_there(tmp_path):
    surface = surface_of("cylinder")
    with pytest.raises(InputError, match="choose a folder that can be written to"):
        write_step(tmp_path / "none" / "a.step", surface, STATIONS, vertices_mm=below(surface, 0.0))


def test_what_is_no_such_surface_can_not_be_read_back(tmp_path):
    surface = surface_of("cylinder")
    write_step(tmp_path / "a.step", surface, STATIONS, vertices_mm=below(surface, 0.0))
    data = (tmp_path / "a.step").read_bytes()
    for torn, n_faces in ((b"no STEP", 1), (data[: len(data) // 2], 1), (data, 2)):
        with silent(), pytest.raises(InputError, match="doesn't hold the smooth surface when read back"):
            read_surfaces(torn, tmp_path / "a.step", n_faces)


def test_distance_is_that_of_the_closed_form(tmp_path):
    """Points off a cylinder by a known amount, also across the seam at v = 0 and beyond its end."""
    surface = surface_of("cylinder")
    write_step(tmp_path / "a.step", surface, STATIONS, vertices_mm=below(surface, 0.0))
    with silent():
        (read,) = read_surfaces((tmp_path / "a.step").read_bytes(), tmp_path / "a.step", 1)
    rng = np.random.default_rng(4)
    off, v, u = rng.uniform(-3.0, 3.0, 300), rng.uniform(0.0, TURN_RAD, 300), rng.uniform(12.0, 77.0, 300)
    v[:60] = rng.normal(0.0, 0.01, 60)
    u[250:] = 77.0 + rng.uniform(0.0, 2.0, 50)
    points = np.column_stack([(16.0 + off) * np.cos(v), (16.0 + off) * np.sin(v), u])
    wanted = np.hypot(off, np.maximum(u - 77.0, 0.0))
    np.testing.assert_allclose(distances(read, points), wanted, atol=2e-5)
