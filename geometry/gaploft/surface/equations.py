"""Normal equations of a tube surface in banded form, assembled from points and solved.

Unknown (i, j) of the tensor basis is number ``i * n_v + j``; the matrix is symmetric with half
bandwidth ``DEGREE * n_v + n_v - 1``, stored as LAPACK's upper banded form.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve_banded, cholesky_banded

from gaploft.surface.basis import DEGREE, TubeBasis

_WIDTH = DEGREE + 1


@dataclass(frozen=True)
class Equations:
    """Weighted data term: ``matrix`` (bandwidth + 1, n) upper banded, ``rhs`` (n, 3)."""

    matrix: NDArray[np.float64]
    rhs: NDArray[np.float64]

    def minus(self, other: "Equations") -> "Equations":
        """The equations without the points of ``other``."""
        return Equations(self.matrix - other.matrix, self.rhs - other.rhs)


def bandwidth(basis: TubeBasis) -> int:
    """Number of superdiagonals."""
    return DEGREE * basis.n_v + basis.n_v - 1


def _scatter(
    matrix: NDArray[np.float64], row: NDArray[np.int64], col: NDArray[np.int64], value: NDArray[np.float64]
) -> None:
    """Add values at (row, col) with row <= col to a banded matrix; places may repeat."""
    depth, n = matrix.shape
    place = (depth - 1 + row - col) * n + col
    matrix += np.bincount(place.ravel(), value.ravel(), minlength=depth * n).reshape(depth, n)


def assemble(
    basis: TubeBasis,
    u: NDArray[np.float64],
    v: NDArray[np.float64],
    points: NDArray[np.float64],
    weights: NDArray[np.float64],
) -> Equations:
    """Sum of ``weight * b b^T`` and ``weight * b * point`` over n points.

    The products are summed per knot cell first, so that the cost per point is that of a small dense
    matrix and not of a sparse one.
    """
    n_u, n_v = basis.n_u, basis.n_v
    along, around = basis.local(u, v)
    cell = along.first * n_v + around.first
    order = np.argsort(cell, kind="stable")
    cells, starts = np.unique(cell[order], return_index=True)
    local = (along.values[order, :, None] * around.values[order, None, :]).reshape(-1, _WIDTH**2)
    weighted = local * weights[order, None]
    bounds = np.append(starts, len(order))
    blocks = np.empty((len(cells), _WIDTH**2, _WIDTH**2))
    heads = np.empty((len(cells), _WIDTH**2, points.shape[1]))
    moved = points[order]
    for k in range(len(cells)):  # over knot cells, not over points
        part = slice(bounds[k], bounds[k + 1])
        np.matmul(weighted[part].T, local[part], out=blocks[k])
        np.matmul(weighted[part].T, moved[part], out=heads[k])
    a = np.repeat(np.arange(_WIDTH), _WIDTH)
    c = np.tile(np.arange(_WIDTH), _WIDTH)
    number = (cells // n_v)[:, None] * n_v + a * n_v + ((cells % n_v)[:, None] + c) % n_v
    rhs = np.stack(
        [
            np.bincount(number.ravel(), heads[:, :, k].ravel(), minlength=n_u * n_v)
            for k in range(points.shape[1])
        ],
        axis=1,
        dtype=np.float64,
    )
    row, col = np.broadcast_arrays(number[:, :, None], number[:, None, :])
    upper = row <= col
    matrix = np.zeros((bandwidth(basis) + 1, n_u * n_v))
    _scatter(matrix, row[upper], col[upper], blocks[upper])
    return Equations(matrix, rhs)


def banded_kron(
    along: NDArray[np.float64], around: NDArray[np.float64], basis: TubeBasis
) -> NDArray[np.float64]:
    """Kronecker product of a banded (n_u, n_u) and a periodic (n_v, n_v) matrix in banded form."""
    n_u, n_v = basis.n_u, basis.n_v
    matrix = np.zeros((bandwidth(basis) + 1, n_u * n_v))
    j, k = np.meshgrid(np.arange(n_v), np.arange(n_v), indexing="ij")
    for gap in range(min(DEGREE, n_u - 1) + 1):
        i = np.arange(n_u - gap)
        row = i[:, None, None] * n_v + j
        col = (i + gap)[:, None, None] * n_v + k
        value = along[i, i + gap][:, None, None] * around
        upper = row <= col
        _scatter(matrix, row[upper], col[upper], value[upper])
    return matrix


#: Cut-off wavelength of the plain term around a tube seen all round, and reach of the detail term along it,
#: in diameters.
PLAIN_DIAMETERS, _DETAIL_DIAMETERS = 0.035, 2.0


@dataclass(frozen=True)
class Fairness:
    """The penalties in banded form, for weights given as cut-off wavelengths.

    A surface wave shorter than the cut-off is smoothed away, a longer one is kept: the weight of a
    penalty of order m is ``(wavelength / 2 pi)**(2 m)`` against a data term that is an integral over
    the surface.

    * ``along``: third derivative along the tube. Lines, arcs (nearly) and cones go free.
    * ``detail``: the ellipse operator around, of the second derivative along. Any section goes free,
      also while it tapers; only a fine detail that changes unevenly along the tube costs.
    * ``around``: the ellipse operator alone, weak, which bridges what was never seen of any section.
    """

    along: NDArray[np.float64]
    detail: NDArray[np.float64]
    around: NDArray[np.float64]

    @classmethod
    def of(cls, basis: TubeBasis, radius_mm: float, plain_mm: float) -> "Fairness":
        """Penalties of a basis for a tube of this mean radius and cut-off wavelength of the plain term."""
        turn, diameter = 2.0 * np.pi, 2.0 * radius_mm
        along = banded_kron(basis.minimum_variation_u, basis.mass_v, basis) * radius_mm
        ellipse = basis.ellipse_operator_v * radius_mm**-5
        detail = banded_kron(basis.bending_u, ellipse, basis) * (_DETAIL_DIAMETERS * diameter / turn) ** 4
        around = banded_kron(basis.mass_u, ellipse, basis) * (plain_mm / turn) ** 6
        return cls(along, detail, around)

    def weighted(self, wave_u_mm: float, wave_v_mm: float) -> NDArray[np.float64]:
        """Their sum for cut-off wavelengths along the tube, and around it for details."""
        turn = 2.0 * np.pi
        return (wave_u_mm / turn) ** 6 * self.along + (wave_v_mm / turn) ** 6 * self.detail + self.around


@dataclass(frozen=True)
class Factor:
    """Cholesky factor of a banded system."""

    banded: NDArray[np.float64]

    def solve(self, rhs: NDArray[np.float64]) -> NDArray[np.float64]:
        """Solution for one or more right-hand sides (n, k)."""
        return np.asarray(cho_solve_banded((self.banded, False), rhs, check_finite=False))


def factorised(matrix: NDArray[np.float64]) -> Factor:
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
