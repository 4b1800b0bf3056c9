"""Pieces of a mesh and its soundness, in parts and at once, against a library and against naive counts."""

import numpy as np
import pytest
import trimesh
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

import plain_tube
from gaploft.scan import pieces, topology
from gaploft.scan.normals import vertex_normals


def tubes(n_tubes, *, shuffled):
    """Tubes that do not touch, as one mesh; the order of vertices and faces may be any."""
    vertices, faces = plain_tube.open_tube(length=60.0, n_u=13, n_v=24)
    many = np.concatenate([faces + k * len(vertices) for k in range(n_tubes)])
    everywhere = np.concatenate([vertices + [0.0, 50.0 * k, 0.0] for k in range(n_tubes)])
    if not shuffled:
        return everywhere, many.astype(np.int32)
    rng = np.random.default_rng(3)
    order = rng.permutation(len(everywhere))
    place = np.argsort(order)
    return everywhere[order], place[many][rng.permutation(len(many))].astype(np.int32)


def by_library(faces, n_vertices):
    """The same from the graph of all edges."""
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]]])
    graph = coo_matrix((np.ones(len(edges)), edges.T), shape=(n_vertices, n_vertices))
    return connected_components(graph, directed=False)[1][faces[:, 0]]


@pytest.mark.parametrize("few", [10, 500_000], ids=["contracted", "at once"])
@pytest.mark.parametrize("rounds", [1, 40])
@pytest.mark.parametrize("shuffled", [False, True])
def test_pieces_are_those_of_the_library(monkeypatch, few, rounds, shuffled):
    monkeypatch.setattr(pieces, "_FEW_FACES", few)
    monkeypatch.setattr(pieces, "_MOST_ROUNDS", rounds)
    vertices, faces = tubes(5, shuffled=shuffled)
    piece, expected = pieces.face_pieces(faces, len(vertices)), by_library(faces, len(vertices))
    pairs = np.unique(np.column_stack([piece, expected]), axis=0)
    assert len(pairs) == len(np.unique(expected)) == 5
    np.testing.assert_array_equal(np.unique(piece), np.arange(5))


def test_vertices_without_a_face_are_no_pieces():
    faces = np.array([[7, 3, 9]], dtype=np.int32)
    np.testing.assert_array_equal(pieces.face_pieces(faces, 12), [0])


@pytest.mark.parametrize("at_once", [50, 2_000_000], ids=["in parts", "at once"])
@pytest.mark.parametrize(
    ("spoilt", "sound"),
    [
        (lambda faces: faces, True),
        (lambda faces: np.concatenate([faces, faces[40:41]]), False),
        (lambda faces: np.concatenate([faces, faces[40:41, ::-1]]), False),
        (lambda faces: np.concatenate([faces[:40], faces[40:41, ::-1], faces[41:]]), False),
    ],
    ids=["sound", "twice", "twice and turned", "turned"],
)
def test_soundness_is_the_same_in_parts(monkeypatch, at_once, spoilt, sound):
    monkeypatch.setattr(topology, "_EDGES_AT_ONCE", at_once)
    vertices, faces = tubes(2, shuffled=True)
    assert topology.surely_sound(spoilt(faces), len(vertices)) is sound


def test_normals_are_the_same_in_parts(monkeypatch):
    vertices, faces = tubes(2, shuffled=True)
    at_once = vertex_normals(vertices, faces)
    monkeypatch.setattr("gaploft.scan.normals._SUMMED_AT_ONCE", 100)
    np.testing.assert_allclose(vertex_normals(vertices, faces), at_once, rtol=0.0, atol=1e-14)


@pytest.mark.parametrize("at_once", [50, 2_000_000], ids=["in parts", "at once"])
def test_a_border_is_found(monkeypatch, at_once):
    monkeypatch.setattr(topology, "_EDGES_AT_ONCE", at_once)
    box = trimesh.creation.icosphere(subdivisions=2)
    assert not topology.surely_open(box.faces, len(box.vertices))
    assert topology.count_edges(box.faces, len(box.vertices)).boundary == 0
    assert topology.surely_open(box.faces[1:], len(box.vertices))
    vertices, faces = tubes(2, shuffled=True)
    assert topology.surely_open(faces, len(vertices))
