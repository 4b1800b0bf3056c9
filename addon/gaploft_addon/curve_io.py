"""Lines that a person draws as curve objects, as points in millimetres."""

import numpy as np

from gaploft.errors import InputError

from . import mesh_io
from .words import told


def lines_mm(scene, curve):
    """Lines of a curve object in the scan's own frame, (k, 3) mm each, as smooth as the viewport shows them.

    A closed line ends where it began. Modifiers do not count: the line is the one that was drawn.

    Raises
    ------
    InputError
        The curve has no line, or is given a thickness, so that it is none.
    """
    mesh = curve.to_mesh()
    try:
        points, edges, faces = _arrays(mesh)
    finally:
        curve.to_mesh_clear()
    if faces:
        text = told("'{name}' is more than a line: set its bevel depth and extrude to 0, and fill to none")
        raise InputError(text.format(name=curve.name))
    lines = [line for line in _lines(points, edges) if len(line) > 1]
    if not lines:
        text = told("'{name}' has no line of two points or more: draw it along the edge")
        raise InputError(text.format(name=curve.name))
    scan = scene.gaploft.scan
    way = np.array(mesh_io.placement(scan).inverted() @ curve.matrix_world)
    mm = mesh_io.unit_of(scene)[1]
    return [(line @ way[:3, :3].T + way[:3, 3]) * mm for line in lines]


def _arrays(mesh):
    """Points, edges and the number of faces; Blender gives no mesh for a curve without points."""
    if mesh is None:
        return np.empty((0, 3)), np.empty((0, 2), np.int32), 0
    edges = mesh_io.read(mesh.edges, "vertices", np.int32, 2)
    return mesh_io.positions(mesh).astype(np.float64), edges, len(mesh.polygons)


def _lines(points, edges):
    """Runs of points that follow one another along edges; a closed one has its first point again as last."""
    step = edges[:, 1] - edges[:, 0] == 1
    follows = np.zeros(max(len(points) - 1, 0), dtype=bool)
    follows[edges[step, 0]] = True
    closed = {tuple(sorted(edge)) for edge in edges[~step].tolist()}
    for run in np.split(np.arange(len(points)), np.flatnonzero(~follows) + 1):
        ring = len(run) > 2 and (int(run[0]), int(run[-1])) in closed
        yield points[np.append(run, run[0])] if ring else points[run]
