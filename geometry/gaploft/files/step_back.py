"""Read a STEP face back and measure how far points lie from it."""

import io
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import NdBSpline
from scipy.spatial import cKDTree

from gaploft.errors import InputError

Floats = NDArray[np.float64]

_STEPS = 12
#: Samples a span of the spline in each direction, to start the search from.
_SAMPLED = 2


@dataclass(frozen=True)
class ReadSurface:
    """Knots, degrees and poles of a B-spline surface as a file has them, in mm."""

    knots: tuple[Floats, Floats]
    degrees: tuple[int, int]
    poles_mm: Floats

    @cached_property
    def spline(self) -> NdBSpline:
        """The surface as a function of both parameters."""
        return NdBSpline(self.knots, self.poles_mm, self.degrees)


def read_surfaces(data: bytes, path: Path, n_faces: int) -> list[ReadSurface]:
    """Give the surfaces of all faces in a STEP file.

    Raises
    ------
    InputError
        The file can't be read, or holds something else than so many faces of B-splines.
    """
    from OCP.BRep import BRep_Tool
    from OCP.Geom import Geom_BSplineSurface
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.STEPControl import STEPControl_Reader
    from OCP.TopAbs import TopAbs_FACE
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    reader = STEPControl_Reader()
    surfaces = []
    if reader.ReadStream(path.name, io.BytesIO(data)) == IFSelect_ReturnStatus.IFSelect_RetDone:
        reader.TransferRoots()
        faces = TopExp_Explorer(reader.OneShape(), TopAbs_FACE)
        while faces.More():
            surfaces.append(BRep_Tool.Surface_s(TopoDS.Face(faces.Current())))
            faces.Next()
    if len(surfaces) != n_faces or not all(isinstance(each, Geom_BSplineSurface) for each in surfaces):
        raise InputError(
            f"{path} doesn't hold the smooth surface when read back: check the disk and write it again"
        )
    return [_as_read(each) for each in surfaces]


def _as_read(surface: Any) -> ReadSurface:
    # The kernel takes what is closed for periodic, whose poles and knots are counted another way.
    surface.Segment(*surface.Bounds())
    n_u, n_v = surface.NbUPoles(), surface.NbVPoles()
    poles = [[surface.Pole(i + 1, j + 1) for j in range(n_v)] for i in range(n_u)]
    knots = []
    for count, knot, times in (
        (surface.NbUKnots(), surface.UKnot, surface.UMultiplicity),
        (surface.NbVKnots(), surface.VKnot, surface.VMultiplicity),
    ):
        places = range(1, count + 1)
        knots.append(np.repeat([knot(i) for i in places], [times(i) for i in places]).astype(np.float64))
    return ReadSurface(
        (knots[0], knots[1]),
        (surface.UDegree(), surface.VDegree()),
        np.array([[(pole.X(), pole.Y(), pole.Z()) for pole in row] for row in poles]),
    )


def distances(surface: ReadSurface, points_mm: Floats) -> Floats:
    """Distance of points (n, 3) from a surface that is closed in its first parameter, (n,) mm.

    Gauss-Newton steps from the nearest of many samples; next to the surface each squares the error.
    """
    bounds = [
        np.unique(knots[degree : len(knots) - degree])
        for knots, degree in zip(surface.knots, surface.degrees, strict=True)
    ]
    fine = [
        np.interp(np.arange(_SAMPLED * (len(b) - 1) + 1) / _SAMPLED, np.arange(len(b)), b) for b in bounds
    ]
    samples = np.stack(np.meshgrid(*fine, indexing="ij"), axis=-1).reshape(-1, 2)
    nearest = cKDTree(surface.spline(samples)).query(points_mm)[1]
    low, high = (np.array([b[end] for b in bounds]) for end in (0, -1))
    at = samples[nearest]
    for _ in range(_STEPS):
        off = surface.spline(at) - points_mm
        around, along = surface.spline(at, nu=(1, 0)), surface.spline(at, nu=(0, 1))
        a, b, c = (around * around).sum(1), (around * along).sum(1), (along * along).sum(1)
        pull_around, pull_along = (around * off).sum(1), (along * off).sum(1)
        whole = a * c - b * b
        step = np.stack([c * pull_around - b * pull_along, a * pull_along - b * pull_around], axis=1)
        step /= whole[:, None]
        moved = at - step
        moved[:, 0] = low[0] + np.mod(moved[:, 0] - low[0], high[0] - low[0])
        moved = np.clip(moved, low, high)
        still = bool((np.abs(moved - at) <= 1e-10 * (high - low)).all())
        at = moved
        if still:
            break
    return np.asarray(np.linalg.norm(surface.spline(at) - points_mm, axis=1))
