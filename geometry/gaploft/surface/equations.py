"""Normal equations of a tube surface in banded form, assembled from heights on a sweep and solved.

At each of the ``n_u`` basis functions along the tube stand ``m = 6 + n_v`` unknowns: the six moves of the
section, then the heights around it. Unknown ``j`` of function ``i`` is number ``i * m + j``; the matrix is
symmetric with half bandwidth ``(DEGREE + 1) * m - 1``, stored as LAPACK's upper banded form.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import blas, cho_solve_banded, cholesky_banded

from gaploft.surface.basis import DEGREE, TubeBasis
from gaploft.surface.sweep import N_MOVES, periodic_design

_WIDTH = DEGREE + 1

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Equations:
    """Weighted data term: ``matrix`` (bandwidth + 1, n) upper banded, ``rhs`` (n,) or (n, k)."""

    matrix: Floats
    rhs: Floats

    def minus(self, other: "Equations") -> "Equations":
        """The equations without the points of ``other``."""
        return Equations(self.matrix - other.matrix, self.rhs - other.rhs)

    def about(self, solution: Floats) -> "Equations":
        """The equations of what is to be added to a solution; for one right-hand side (n,)."""
        product = blas.dsbmv(len(self.matrix) - 1, 1.0, self.matrix, solution.ravel())
        return Equations(self.matrix, self.rhs - product)

    def misfit(self, solution: Floats) -> float:
        """Sum of squared weighted residuals of a solution, without the constant that the heights alone make;
        for one right-hand side (n,)."""
        x = solution.ravel()
        product = blas.dsbmv(len(self.matrix) - 1, 1.0, self.matrix, x)
        return float(x @ (product - 2.0 * self.rhs))


def n_around(basis: TubeBasis) -> int:
    """Unknowns at each basis function along the tube."""
    return N_MOVES + basis.n_v


def section_rows(basis: TubeBasis, v: Floats, moves: Floats) -> Floats:
    """What each unknown around does to the surface at n places, (n, 6 + n_v)."""
    return np.hstack([moves, periodic_design(basis, v)])


def assemble(basis: TubeBasis, u: Floats, rows: Floats, heights: Floats, weights: Floats) -> Equations:
    """Sum of ``weight * b b^T`` and ``weight * b * height`` over n places.

    Parameters
    ----------
    rows : (n, m) of :func:`section_rows`
    heights : (n,) or (n, k) right-hand sides, mm
    """
    m, n_u = n_around(basis), basis.n_u
    along, _ = basis.local(u, np.zeros(len(u)))
    order = np.argsort(along.first, kind="stable")
    bounds = np.searchsorted(along.first[order], np.arange(n_u + 1))
    sides = heights.reshape(len(u), -1)
    blocks = np.zeros((n_u, _WIDTH, m, m))
    rhs = np.zeros((n_u, m, sides.shape[1]))
    for i in np.flatnonzero(np.diff(bounds)):  # over spans along the tube, not over points
        part = order[bounds[i] : bounds[i + 1]]
        local = (along.values[part][:, :, None] * rows[part][:, None, :]).reshape(len(part), -1)
        weighted = local.T * weights[part]
        gram = (weighted @ local).reshape(_WIDTH, m, _WIDTH, m)
        rhs[i : i + _WIDTH] += (weighted @ sides[part]).reshape(_WIDTH, m, -1)
        for k in range(_WIDTH):
            blocks[i + k, : _WIDTH - k] += gram[k, :, k:].transpose(1, 0, 2)
    return Equations(banded(blocks), rhs.reshape((n_u * m, *heights.shape[1:])))


def banded(blocks: Floats) -> Floats:
    """Upper banded matrix from its blocks: ``blocks[i, g]`` (m, m) couples the functions i and i + g."""
    n_u, width, m, _ = blocks.shape
    depth = width * m
    matrix = np.zeros((depth, n_u * m))
    j, k = np.arange(m)[:, None], np.arange(m)
    for gap in range(width):
        i = np.arange(n_u - gap)[:, None, None]
        upper = np.broadcast_to(gap * m + k - j >= 0, (len(i), m, m))
        row = np.broadcast_to(depth - 1 - gap * m - k + j, upper.shape)[upper]
        column = np.broadcast_to((i + gap) * m + k, upper.shape)[upper]
        matrix[row, column] = blocks[: n_u - gap, gap][upper]
    return matrix


def diagonals(matrix: Floats) -> Floats:
    """Diagonal and the superdiagonals of a matrix along the tube, (n_u, DEGREE + 1), zero past its end."""
    n = len(matrix)
    found = np.zeros((n, _WIDTH))
    for gap in range(min(_WIDTH, n)):
        found[: n - gap, gap] = np.diagonal(matrix, gap)
    return found


@dataclass(frozen=True)
class Factor:
    """Cholesky factor of a banded system."""

    banded: Floats

    def solve(self, rhs: Floats) -> Floats:
        """Solution for one or more right-hand sides (n,) or (n, k)."""
        return np.asarray(cho_solve_banded((self.banded, False), rhs, check_finite=False))

    @property
    def log_determinant(self) -> float:
        """Of the whole matrix."""
        return float(2.0 * np.log(self.banded[-1]).sum())


def factorised(matrix: Floats) -> Factor:
    """Cholesky factor of a banded positive definite matrix.

    Where a stiff penalty rests on few points, rounding alone can make the last pivots negative. A diagonal of
    the size of that rounding is then added: it moves the surface by less than a thousandth of a millimetre.

    Raises
    ------
    numpy.linalg.LinAlgError
        The points do not determine the surface.
    """
    for ridge in (0.0, 1e-15, 1e-14, 1e-13):
        held = matrix
        if ridge:
            held = matrix.copy()
            held[-1] += ridge * matrix[-1].max()
        try:
            return Factor(np.asarray(cholesky_banded(held, check_finite=False)))
        except np.linalg.LinAlgError:
            continue
    raise np.linalg.LinAlgError("the points do not determine the surface")
