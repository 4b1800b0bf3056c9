"""Nodes moved along their normals until surface, energy and scan agree."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.patch.energy import Directed, Form, attraction, fairness, point_residuals
from gaploft.patch.ground import Ground
from gaploft.patch.jets import Stencils, neighbours, stencils
from gaploft.patch.system import Factor, Pattern, factorised

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

#: Nodes stop when none moves by more than this, mm, or after so many rounds.
_STILL_MM, _MOST_ROUNDS = 2e-4, 14
#: Neighbours are sought anew in so many first rounds; nodes move by mm in these, and by hundredths later.
_SEEK_ROUNDS = 3
#: No node moves farther at once than this many spacings: what it stands on is linear only so far.
_STEP_SPACINGS = 1.5


@dataclass(frozen=True)
class Cloud:
    """Scan points that the surface is laid through: (n, 3) places, (n,) mm^2 that each speaks for."""

    points: Floats
    areas: Floats


@dataclass(frozen=True)
class Laid:
    """A surface through nodes, and everything its equations are made of.

    Attributes
    ----------
    points, normals : (n, 3) nodes
    first : (n, 3) the direction along which it changes least
    stencil : polynomials of the nodes
    owner, offset : node of each point of the cloud, and the point in its frame
    """

    ground: Ground
    points: Floats
    normals: Floats
    first: Floats
    stencil: Stencils
    pattern: Pattern
    owner: Indices
    offset: Floats

    @property
    def residuals(self) -> Floats:
        """Height of each point of the cloud over the surface, mm."""
        return point_residuals(self.stencil, self.owner, self.offset)

    def fair(self, way: Directed) -> Form:
        """How much the curvature varies."""
        return fairness(self.stencil, self.normals, self.ground.areas, way, self.ground.spacing_mm)

    def pulled(self, weights: Floats) -> Form:
        """How far the cloud is off, each point with a weight in mm^2."""
        return attraction(self.stencil, self.normals, self.owner, self.offset, weights)


def laid_on(
    ground: Ground,
    points: Floats,
    normals: Floats,
    first: Floats,
    cloud: Cloud,
    pattern: Pattern | None = None,
) -> Laid:
    """Polynomials through nodes as they are, their normals made those of the polynomials."""
    if pattern is None:
        pattern = Pattern(neighbours(points))
    for _ in range(2):
        stencil = stencils(points, normals, first, pattern.near, ground.spacing_mm)
        slope = stencil.coefficients[:, :2]
        turned = stencil.frame[:, 2] - np.einsum("nc,ncj->nj", slope, stencil.frame[:, :2])
        normals = turned / np.linalg.norm(turned, axis=1, keepdims=True)
    stencil = stencils(points, normals, first, pattern.near, ground.spacing_mm)
    owner = np.asarray(cKDTree(points).query(cloud.points)[1], dtype=np.int64)
    offset = np.einsum("mij,mj->mi", stencil.frame[owner], cloud.points - points[owner])
    return Laid(ground, points, normals, first, stencil, pattern, owner, offset)


def settled(
    laid: Laid, cloud: Cloud, weights: Floats, way: Directed, stiff_mm: float, *, rounds: int = _MOST_ROUNDS
) -> Laid:
    """Move nodes until nothing moves.

    Parameters
    ----------
    weights : (m,) weight of each point of the cloud, 0 to 1
    stiff_mm : length whose power of twice the energy's order weighs it against the scan

    Notes
    -----
    Gauss-Newton: heights over tangent planes are renewed in every round, so that the energy is that of the
    surface itself and not of a linear stand-in.
    """
    limit = _STEP_SPACINGS * laid.ground.spacing_mm
    for k in range(rounds):
        factor, pull = equations(laid, cloud, weights, way, stiff_mm)
        move = np.clip(factor.solve(pull), -limit, limit)
        points = laid.points + move[:, None] * laid.normals
        pattern = None if k < _SEEK_ROUNDS and np.abs(move).max() > 0.3 * limit else laid.pattern
        laid = laid_on(laid.ground, points, laid.normals, laid.first, cloud, pattern)
        if np.abs(move).max() < _STILL_MM:
            break
    return laid


def equations(
    laid: Laid, cloud: Cloud, weights: Floats, way: Directed, stiff_mm: float
) -> tuple[Factor, Floats]:
    """The factorised system of the nodes' moves, and its right-hand side."""
    data, fair = laid.pulled(weights * cloud.areas), laid.fair(way)
    stiff = stiff_mm ** (2 * way.order)
    pull = laid.pattern.vector(data.pull + stiff * fair.pull)
    return factorised(laid.pattern.matrix(data.local + stiff * fair.local)), pull


def turned(laid: Laid, first: Floats, cloud: Cloud) -> Laid:
    """The same surface with other directions."""
    return laid_on(replace(laid.ground), laid.points, laid.normals, first, cloud, laid.pattern)
