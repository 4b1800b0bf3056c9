"""Mending scans: laws (rigid motion, order, scale), closed forms, and one test for each thing mended."""

import numpy as np
import pytest

import gaploft.scan.weld as weld
import plain_tube
from gaploft.errors import InputError
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from gaploft.scan.topology import count_edges, surely_sound

TUBE = plain_tube.open_tube()
SOURCE = ScanSource(file="tube.ply", sha256="", unit="mm", vertices=0, faces=0)


def mended(vertices, faces, mm_per_unit=1.0):
    return scan_from_arrays(vertices, faces, mm_per_unit=mm_per_unit, source=SOURCE)


def codes(scan):
    return [note.code for note in scan.notes]


def outward(scan, axis_point=(0.0, 0.0, 0.0), axis=(0.0, 0.0, 1.0)):
    """Smallest cosine between a vertex normal and the direction away from the tube's axis."""
    offset = scan.vertices_mm - np.asarray(axis_point)
    away = offset - np.outer(offset @ np.asarray(axis), axis)
    away /= np.linalg.norm(away, axis=1)[:, None]
    return float(np.einsum("ij,ij->i", away, scan.normals).min())


def test_sound_tube_stays_as_it_is():
    scan = mended(*TUBE)
    np.testing.assert_array_equal(scan.vertices_mm, TUBE[0])
    np.testing.assert_array_equal(scan.faces, TUBE[1])
    np.testing.assert_array_equal(scan.vertex_of_source, np.arange(len(TUBE[0])))
    assert scan.notes == ()


def test_inputs_are_not_changed():
    vertices, faces = TUBE[0].copy(), TUBE[1][:, ::-1].copy()
    before = vertices.tobytes(), faces.tobytes()
    mended(vertices, faces, 10.0)
    assert (vertices.tobytes(), faces.tobytes()) == before


def test_normals_of_a_cylinder_point_away_from_its_axis():
    """On a regular cylinder grid the area weighted normal of an inner ring is radial, by symmetry up
    to the slant of the cut quads: below half the angle between neighbours."""
    scan = mended(*TUBE)
    inner = slice(48, -48)
    radial = scan.vertices_mm[inner] * (1.0, 1.0, 0.0) / 16.0
    angle = np.arccos(np.clip(np.einsum("ij,ij->i", radial, scan.normals[inner]), -1, 1))
    assert angle.max() < np.pi / 48
    np.testing.assert_allclose(np.linalg.norm(scan.normals, axis=1), 1.0, rtol=1e-14)


def test_normals_against_a_loop():
    vertices, faces = TUBE
    rng = np.random.default_rng(1)
    vertices = vertices + rng.normal(0, 0.3, vertices.shape)
    expected = np.zeros_like(vertices)
    for a, b, c in faces:
        cross = np.cross(vertices[b] - vertices[a], vertices[c] - vertices[a])
        for corner in (a, b, c):
            expected[corner] += cross
    expected /= np.linalg.norm(expected, axis=1)[:, None]
    np.testing.assert_allclose(mended(vertices, faces).normals, expected, atol=1e-12)


@pytest.mark.parametrize("gap", [None, (100.0, 180.0)])
@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_tube_turned_inside_out_is_turned_back(gap, noise):
    """Open at both ends and across the gap: the volume of a closed mesh can't tell here."""
    vertices, faces = plain_tube.open_tube(n_u=301, n_v=200, gap=gap, taper=-0.02)
    vertices = vertices + np.random.default_rng(2).normal(0.0, noise, vertices.shape) + (500.0, -300.0, 900.0)
    straight, turned = mended(vertices, faces), mended(vertices, faces[:, ::-1])
    assert "turned_inside_out" in codes(turned)
    assert "turned_inside_out" not in codes(straight)
    np.testing.assert_array_equal(np.sort(straight.faces), np.sort(turned.faces))
    assert count_edges(turned.faces, len(turned.vertices_mm)).manifold
    np.testing.assert_allclose(turned.normals, straight.normals, atol=1e-12)


def test_one_of_two_halves_inside_out():
    vertices, faces = plain_tube.open_tube(gap=(100.0, 180.0))
    second = vertices[faces[:, 0], 2] > 140.0
    faces = np.where(second[:, None], faces[:, ::-1], faces)
    scan = mended(vertices, faces)
    assert outward(scan) > 0.99
    assert codes(scan)[-1] == "turned_inside_out"


def test_bent_tube_and_half_a_shell_know_their_outside():
    vertices, faces = plain_tube.open_tube(n_u=121, n_v=90)
    half = faces[(vertices[faces][:, :, 1] > -1e-9).all(axis=1)]
    assert "turned_inside_out" not in codes(mended(vertices, half))
    assert "turned_inside_out" in codes(mended(vertices, half[:, ::-1]))
    angle = vertices[:, 2] / 400.0
    bent = np.column_stack(
        [(400.0 + vertices[:, 0]) * np.cos(angle), vertices[:, 1], (400.0 + vertices[:, 0]) * np.sin(angle)]
    )
    assert "turned_inside_out" not in codes(mended(bent, faces))
    assert "turned_inside_out" in codes(mended(bent, faces[:, ::-1]))


def test_flat_patch_is_left_alone():
    grid = np.stack(np.meshgrid(np.linspace(0, 100, 11), np.linspace(0, 100, 11), [0.0]), axis=-1).reshape(
        -1, 3
    )
    corner = (np.arange(10)[:, None] * 11 + np.arange(10)).ravel()
    faces = np.column_stack([corner, corner + 1, corner + 12])
    for way in (faces, faces[:, ::-1]):
        scan = mended(grid, way)
        assert "turned_inside_out" not in codes(scan)


def test_faces_turned_over_here_and_there_agree_again():
    vertices, faces = TUBE
    flip = np.random.default_rng(3).random(len(faces)) < 0.2
    scan = mended(vertices, np.where(flip[:, None], faces[:, ::-1], faces))
    edges = count_edges(scan.faces, len(vertices))
    assert edges.clashing == 0
    assert f"{flip.sum():,} faces ran against" in scan.notes[0].text
    assert outward(scan) > 0.99


def test_one_sided_strip_is_left_and_said():
    """A Moebius strip: no choice of winding can make all neighbours agree."""
    n = 60
    angle = np.arange(n) * 2 * np.pi / n
    half = np.stack(
        [np.cos(angle / 2) * np.cos(angle), np.cos(angle / 2) * np.sin(angle), np.sin(angle / 2)], -1
    )
    centre = 100.0 * np.stack([np.cos(angle), np.sin(angle), 0 * angle], -1)
    vertices = np.concatenate([centre - 20 * half, centre + 20 * half])
    i, k = np.arange(n - 1), np.arange(1, n)
    faces = np.concatenate([np.column_stack([i, k, i + n]), np.column_stack([k, k + n, i + n])])
    closing = np.array([[n - 1, n, 2 * n - 1], [n, 0, 2 * n - 1]])
    scan = mended(vertices, np.concatenate([faces, closing]))
    assert "one_sided" in codes(scan)


def test_edges_counted_against_a_dictionary():
    vertices, faces = plain_tube.open_tube(n_u=6, n_v=9)
    faces = np.concatenate([faces, [[0, 1, 30]], faces[:1, ::-1] + [[0, 0, 0]]])
    faces[7] = faces[7, ::-1]
    ways = {}
    for face in faces.tolist():
        for a, b in zip(face, face[1:] + face[:1], strict=True):
            ways.setdefault(frozenset((a, b)), []).append(a < b)
    found = count_edges(faces, len(vertices))
    assert found.boundary == sum(len(way) == 1 for way in ways.values())
    assert found.shared == sum(len(way) == 2 for way in ways.values())
    assert found.crowded == sum(len(way) > 2 for way in ways.values())
    assert found.clashing == sum(way in ([True, True], [False, False]) for way in ways.values())
    assert not found.manifold


def test_open_tube_has_two_rings_of_boundary():
    edges = count_edges(TUBE[1], len(TUBE[0]))
    assert (edges.boundary, edges.crowded, edges.clashing) == (2 * 48, 0, 0)
    assert edges.manifold


def test_no_faces_have_no_edges():
    assert count_edges(np.zeros((0, 3), dtype=np.int64), 0).shared == 0


def test_crowded_edge_is_noted_and_kept():
    vertices, faces = TUBE
    fin = np.concatenate([vertices, [[40.0, 0.0, 150.0]]])
    scan = mended(fin, np.concatenate([faces, [[480, 481, len(vertices)]]]))
    assert codes(scan) == ["crowded_edges"]
    assert len(scan.faces) == len(faces) + 1


def test_soup_is_welded_and_vertices_keep_their_file_order():
    vertices, faces = TUBE
    soup = vertices[faces].reshape(-1, 3)
    scan = mended(soup, np.arange(len(soup)).reshape(-1, 3))
    assert scan.notes == ()
    np.testing.assert_array_equal(scan.vertices_mm[scan.faces], vertices[faces])
    np.testing.assert_array_equal(scan.vertices_mm[scan.vertex_of_source], soup)
    _, first = np.unique(scan.vertex_of_source, return_index=True)
    assert (np.diff(first) > 0).all()


def test_doubled_vertices_of_an_indexed_mesh_are_joined_and_said():
    vertices, faces = TUBE
    doubled = np.concatenate([vertices, vertices[:48]])
    faces = np.where(faces < 48, faces + len(vertices), faces)
    scan = mended(doubled, np.concatenate([faces, [[0, 1, 50]]]))
    assert "welded" in codes(scan)
    assert scan.vertex_of_source[0] == scan.vertex_of_source[len(vertices)]


def test_minus_zero_is_zero():
    _, group = weld.equal_points(np.array([[0.0, 1.0, 2.0], [-0.0, 1.0, 2.0]]))
    assert group.tolist() == [0, 0]


@pytest.mark.parametrize("colliding", [False, True])
def test_equal_rows_against_numpy_even_when_the_hash_fails(monkeypatch, colliding):
    rng = np.random.default_rng(4)
    rows = rng.integers(0, 6, (500, 3)).astype(np.uint64)
    if colliding:
        monkeypatch.setattr(weld, "_hash", lambda rows: rows[:, 0].copy())
    first, group = weld.equal_rows(rows)
    unique, index, inverse = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    assert len(first) == len(unique)
    assert sorted(first) == sorted(index)
    assert (np.diff(first) > 0).all()
    np.testing.assert_array_equal(rows[first][group], rows)
    assert len(set(zip(group.tolist(), inverse.ravel().tolist(), strict=True))) == len(unique)


@pytest.mark.parametrize("salts", [1, 8])
def test_equal_rows_of_hashes_that_never_part_are_sorted(monkeypatch, salts):
    """All rows in one place of the table: each round settles one group, sorting the others."""
    monkeypatch.setattr(weld, "_hash", lambda rows: np.zeros(len(rows), dtype=np.uint64))
    monkeypatch.setattr(weld, "_ROUNDS", salts)
    rows = np.random.default_rng(6).integers(0, 6, (500, 3))
    first, group = weld.equal_rows(rows)
    _, index = np.unique(rows, axis=0, return_index=True)
    np.testing.assert_array_equal(first, np.sort(index))
    np.testing.assert_array_equal(rows[first][group], rows)
    assert weld.all_different(np.arange(500, dtype=np.uint64))
    assert not weld.all_different(np.array([*range(500), 3], dtype=np.uint64))


def test_rows_are_numbered_alike_in_one_part_and_in_many(monkeypatch):
    rows = np.random.default_rng(8).integers(0, 9, (1000, 3)).astype(np.float32)
    whole = weld.equal_rows(rows)
    monkeypatch.setattr(weld, "_CHUNK", 7)
    for one, other in zip(whole, weld.equal_rows(rows), strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("n", [0, 1, 2, 3000])
def test_all_different_keys(n):
    keys = np.random.default_rng(7).permutation(np.arange(n, dtype=np.uint64) << np.uint64(20))
    assert weld.all_different(keys)
    for place in np.linspace(0, n - 1, 5).astype(int) if n else ():
        assert not weld.all_different(np.append(keys, keys[place]))


def test_single_precision_is_welded_as_double_is():
    """The numbers of a file are compared as they stand there; wider ones give the same answer."""
    vertices, faces = TUBE
    soup = vertices[faces].reshape(-1, 3).astype(np.float32)
    numbers = np.arange(len(soup)).reshape(-1, 3)
    single, double = mended(soup, numbers), mended(soup.astype(np.float64), numbers)
    for name in ("vertices_mm", "faces", "normals", "vertex_of_source"):
        np.testing.assert_array_equal(getattr(single, name), getattr(double, name))
    assert single.vertices_mm.dtype == np.float64


FAULTS = {
    "sound": lambda faces: faces,
    "one turned over": lambda faces: np.concatenate([faces[:1, ::-1], faces[1:]]),
    "crowded": lambda faces: np.concatenate([faces, [[480, 481, 5]]]),
    "repeated": lambda faces: np.concatenate([faces, faces[100:101]]),
    "repeated, corners moved on": lambda faces: np.concatenate([faces, faces[100:101, [1, 2, 0]]]),
    "alone and covered": lambda faces: np.concatenate([faces[:10], faces[9:10, ::-1]]),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_quick_look_against_the_counts(fault):
    faces = FAULTS[fault](TUBE[1])
    edges, n_faces = count_edges(faces, len(TUBE[0])), len(np.unique(np.sort(faces, axis=1), axis=0))
    sound = edges.manifold and n_faces == len(faces)
    assert surely_sound(faces, len(TUBE[0])) == sound == (fault == "sound")


def test_equal_rows_of_nothing():
    first, group = weld.equal_rows(np.zeros((0, 3), dtype=np.uint64))
    assert len(first) == len(group) == 0


def test_collapsed_and_repeated_faces_are_dropped():
    vertices, faces = TUBE
    extra = [[5, 5, 60], [9, 70, 9], faces[10], faces[11][::-1]]
    scan = mended(vertices, np.concatenate([faces, extra]))
    assert codes(scan) == ["collapsed_faces", "repeated_faces"]
    assert [note.text.split()[0] for note in scan.notes] == ["2", "2"]
    np.testing.assert_array_equal(scan.faces, faces)


def test_flat_face_with_three_corners_stays():
    """Leaving it out would open a slit in the surface."""
    vertices, faces = TUBE
    middle = 0.5 * (vertices[480] + vertices[481])
    split = np.concatenate([vertices, [middle]])
    scan = mended(split, np.concatenate([faces, [[481, 480, len(vertices)]]]))
    assert len(scan.faces) == len(faces) + 1
    assert np.isfinite(scan.normals).all()


def test_vertex_of_flat_faces_only_has_some_unit_normal():
    vertices = np.concatenate([TUBE[0], [[100.0, 0, 0], [101.0, 0, 0], [102.0, 0, 0]]])
    n = len(TUBE[0])
    scan = mended(vertices, np.concatenate([TUBE[1], [[n, n + 1, n + 2]]]))
    np.testing.assert_allclose(np.linalg.norm(scan.normals[-3:], axis=1), 1.0)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_few_broken_vertices_are_dropped_with_their_faces(bad):
    vertices, faces = TUBE[0].copy(), TUBE[1]
    vertices[1000, 1] = bad
    scan = mended(vertices, faces)
    assert codes(scan) == ["broken_vertices"]
    assert scan.vertex_of_source[1000] == -1
    assert len(scan.faces) == len(faces) - 6
    np.testing.assert_array_equal(scan.vertices_mm, np.delete(vertices, 1000, axis=0))
    np.testing.assert_array_equal(scan.vertex_of_source[1001:], np.arange(1000, len(vertices) - 1))


def test_many_broken_vertices_are_refused():
    vertices = TUBE[0].copy()
    vertices[:60, 0] = np.nan
    with pytest.raises(InputError, match=r"has 60 of 2,928 vertices with coordinates that are not numbers"):
        mended(vertices, TUBE[1])


def test_no_face_left_without_a_broken_corner():
    vertices = np.concatenate([TUBE[0], [[np.nan, 0, 0]]])
    n = len(vertices) - 1
    with pytest.raises(InputError, match="every face"):
        mended(vertices, [[0, 1, n], [2, 3, n]])


def test_all_faces_collapsed():
    with pytest.raises(InputError, match="three separate corners"):
        mended(TUBE[0], [[0, 0, 1], [5, 6, 6]])


def test_no_faces():
    with pytest.raises(InputError, match="holds no faces"):
        mended(TUBE[0], np.zeros((0, 3), dtype=int))


@pytest.mark.parametrize(
    ("factor", "unit", "question"),
    [
        (1e-3, "mm", r"0.3 mm long if its unit is mm.*is the unit m \(300 mm\)"),
        (1.0, "m", r"300,000 mm long if its unit is m.*is the unit mm \(300 mm\)"),
        (1e-12, "mm", "check the unit and the scan"),
    ],
)
def test_size_that_can_not_be_is_refused(factor, unit, question):
    source = ScanSource(file="tube.ply", sha256="", unit=unit, vertices=0, faces=0)
    mm_per_unit = {"mm": 1.0, "m": 1000.0}[unit]
    with pytest.raises(InputError, match=question):
        scan_from_arrays(TUBE[0] * factor, TUBE[1], mm_per_unit=mm_per_unit, source=source)


@pytest.mark.parametrize(("factor", "unit"), [(1 / 25.4, "in"), (0.1, "cm")])
def test_unusual_size_is_noted_with_the_unit_that_would_fit(factor, unit):
    scan = mended(TUBE[0] * factor, TUBE[1])
    assert codes(scan) == ["size_unusual"]
    assert f"{unit} (300 mm)" in scan.notes[0].text


def test_rigid_motion_moves_the_scan_and_nothing_else():
    vertices, faces = TUBE
    turn, _ = np.linalg.qr(np.random.default_rng(5).normal(size=(3, 3)))
    turn *= np.linalg.det(turn)
    plain, moved = mended(vertices, faces), mended(vertices @ turn.T + (10.0, 20.0, 30.0), faces)
    np.testing.assert_array_equal(moved.faces, plain.faces)
    np.testing.assert_allclose(moved.normals, plain.normals @ turn.T, atol=1e-12)


@pytest.mark.parametrize(
    ("vertices", "faces", "mm_per_unit"),
    [
        (np.zeros((5, 2)), [[0, 1, 2]], 1.0),
        (np.zeros(6), [[0, 1, 2]], 1.0),
        (TUBE[0], [[0, 1]], 1.0),
        (TUBE[0], [[0.0, 1.0, 2.0]], 1.0),
        (TUBE[0], [[0, 1, len(TUBE[0])]], 1.0),
        (TUBE[0], [[0, 1, -1]], 1.0),
        (TUBE[0], TUBE[1], 0.0),
        (TUBE[0], TUBE[1], np.nan),
    ],
)
def test_wrong_calls_are_value_errors(vertices, faces, mm_per_unit):
    with pytest.raises(ValueError):
        mended(vertices, faces, mm_per_unit)
