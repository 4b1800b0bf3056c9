"""Junctions made by a CAD kernel (Open CASCADE): tubes joined, with a fillet of one radius along the edge.

A ``Tube`` runs straight from ``start_mm``; ``joined`` gives the outer skin of a main tube and branches.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Any

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Surface
from OCP.BRepAlgoAPI import BRepAlgoAPI_Fuse
from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCone, BRepPrimAPI_MakeCylinder
from OCP.GeomAbs import GeomAbs_BSplineSurface, GeomAbs_Cone, GeomAbs_Cylinder, GeomAbs_Plane
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt, gp_Vec
from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE, TopAbs_REVERSED
from OCP.TopExp import TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS

from cad_faces import Edge, SplineFace, TubeFace
from cad_skin import CadSkin
from junction_mesh import Faces, Floats

#: Points along each edge of a face.
_EDGE_POINTS = 1500


@dataclass(frozen=True)
class Tube:
    """A straight round tube, ``end_radius_mm`` wide at its far end if it tapers."""

    start_mm: tuple[float, float, float]
    direction: tuple[float, float, float]
    radius_mm: float
    length_mm: float
    end_radius_mm: float | None = None


def _solid(tube: Tube) -> Any:
    """The tube as a solid; its seam is on the side of -z, or of -x for an upright one."""
    down = (-1.0, 0.0, 0.0) if abs(tube.direction[2]) > 0.3 else (0.0, 0.0, -1.0)
    frame = gp_Ax2(gp_Pnt(*tube.start_mm), gp_Dir(*tube.direction), gp_Dir(*down))
    if tube.end_radius_mm is None:
        return BRepPrimAPI_MakeCylinder(frame, tube.radius_mm, tube.length_mm).Shape()
    return BRepPrimAPI_MakeCone(frame, tube.radius_mm, tube.end_radius_mm, tube.length_mm).Shape()


@lru_cache(maxsize=32)
def joined(main: Tube, branches: tuple[Tube, ...], fillet_mm: float) -> CadSkin:
    """Join branches to a main tube, one after the other, each with a fillet along the edge.

    The fillet's sections across the edge are arcs of radius ``fillet_mm``.
    """
    solid = _solid(main)
    for tube in branches:
        fused = BRepAlgoAPI_Fuse(solid, _solid(tube))
        rounded = BRepFilletAPI_MakeFillet(fused.Shape())
        for edge in fused.SectionEdges():
            rounded.Add(fillet_mm, TopoDS.Edge(edge))
        solid = rounded.Shape()
    BRepMesh_IncrementalMesh(solid, 0.02, False, 0.1)
    faces = [TopoDS.Face(face) for face in _explored(solid, TopAbs_FACE)]
    caps = [face for face in faces if _kind(face) == GeomAbs_Plane]
    skin = [face for face in faces if _kind(face) != GeomAbs_Plane]
    rims = [edge for cap in caps for edge in _explored(cap, TopAbs_EDGE)]
    found = [_tube_face(face, rims) for face in skin if _kind(face) != GeomAbs_BSplineSurface]
    tubes = [min(found, key=partial(_off_axis, tube=tube)) for tube in (main, *branches)]
    fillets = [_spline_face(face) for face in skin if _kind(face) == GeomAbs_BSplineSurface]
    return CadSkin(solid, tubes, fillets, _mesh(skin))


def _off_axis(face: TubeFace, tube: Tube) -> float:
    """How far a face is from having the axis of a tube, mm, 50 mm along it."""
    way = np.asarray(tube.direction) / np.linalg.norm(tube.direction)
    ends = np.array([tube.start_mm, tube.start_mm + 50.0 * way]) - face.origin
    return float(np.linalg.norm(np.cross(ends, face.axis), axis=1).max())


def _explored(shape: Any, kind: Any) -> Iterator[Any]:
    """Sub-shapes of one kind."""
    explorer = TopExp_Explorer(shape, kind)
    while explorer.More():
        yield explorer.Current()
        explorer.Next()


def _kind(face: Any) -> Any:
    return BRepAdaptor_Surface(face).GetType()


def _tube_face(face: Any, rims: list[Any]) -> TubeFace:
    """A cylinder or cone of the kernel, held inside its edges but not inside ``rims``."""
    surface = BRepAdaptor_Surface(face)
    if surface.GetType() == GeomAbs_Cylinder:
        form = surface.Cylinder()
        radius, half_angle = form.Radius(), 0.0
    elif surface.GetType() == GeomAbs_Cone:
        form = surface.Cone()
        radius, half_angle = form.RefRadius(), form.SemiAngle()
    else:
        raise AssertionError("the kernel made a face that is not evaluated here")
    if face.Orientation() == TopAbs_REVERSED:
        raise AssertionError("a tube is seen from its inside")
    line = form.Axis()
    origin, axis = (np.array([p.X(), p.Y(), p.Z()]) for p in (line.Location(), line.Direction()))
    unbounded = TubeFace(origin, axis, radius, half_angle, Edge(np.zeros((1, 3)), np.zeros((1, 3))))
    points, inward = [], []
    for shape in _explored(face, TopAbs_EDGE):
        edge = TopoDS.Edge(shape)
        if BRep_Tool.IsClosed_s(edge, face) or any(edge.IsSame(rim) for rim in rims):
            continue  # the seam, or the end of the tube
        at, along = _along_edge(edge)
        _, outward, _ = unbounded.foot(at)
        points.append(at)
        inward.append(np.cross(outward, along))  # the kernel's faces lie to the left of their edges
    return replace(unbounded, edge=Edge(np.concatenate(points), np.concatenate(inward)))


def _along_edge(edge: Any) -> tuple[Floats, Floats]:
    """Points along an edge, (k, 3), and unit tangents the way it runs round its face."""
    curve = BRepAdaptor_Curve(edge)
    way = -1.0 if edge.Orientation() == TopAbs_REVERSED else 1.0
    point, tangent, rows = gp_Pnt(), gp_Vec(), []
    for at in np.linspace(curve.FirstParameter(), curve.LastParameter(), _EDGE_POINTS):
        curve.D1(float(at), point, tangent)
        rows.append((point.X(), point.Y(), point.Z(), tangent.X(), tangent.Y(), tangent.Z()))
    table = np.array(rows)
    along = way * table[:, 3:]
    return table[:, :3], along / np.linalg.norm(along, axis=1, keepdims=True)


def _spline_face(face: Any) -> SplineFace:
    """A fillet of the kernel, which must fill its surface's whole range."""
    surface = BRep_Tool.Surface_s(face)
    trimmed = BRepAdaptor_Surface(face)
    bounds = (
        trimmed.FirstUParameter(),
        trimmed.LastUParameter(),
        trimmed.FirstVParameter(),
        trimmed.LastVParameter(),
    )
    if not np.allclose(bounds, surface.Bounds(), atol=1e-6):
        raise AssertionError("the kernel trimmed a fillet, which is not evaluated here")
    return SplineFace(surface, -1.0 if face.Orientation() == TopAbs_REVERSED else 1.0)


def _mesh(faces: list[Any]) -> tuple[Floats, Faces]:
    """The kernel's triangles of some faces; the corners that these share are there twice."""
    vertices, triangles, n = [], [], 0
    for face in faces:
        part = BRep_Tool.Triangulation_s(face, TopLoc_Location())
        nodes = [part.Node(i + 1) for i in range(part.NbNodes())]
        vertices += [(p.X(), p.Y(), p.Z()) for p in nodes]
        triangles += [[n + c - 1 for c in part.Triangle(i + 1).Get()] for i in range(part.NbTriangles())]
        n = len(vertices)
    return np.array(vertices), np.array(triangles, dtype=np.int32)
