"""B-spline bases of the tube surface and their fairness penalties.

Along the tube (``u``, mm) the basis is clamped; around it (``v``, one turn is 2 pi) it is periodic.
Both are uniform, of the same degree.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import BSpline

#: Degree of the surface in both directions: the third derivative in the penalty is then continuous.
DEGREE = 4

TURN_RAD = 2.0 * np.pi


@dataclass(frozen=True)
class LocalBasis:
    """Values of the ``degree + 1`` basis functions that are not zero at each of n places.

    ``first`` (n,) is the index of the first of them, counted before any periodic wrap;
    ``values`` is (n, degree + 1).
    """

    first: NDArray[np.int64]
    values: NDArray[np.float64]


def clamped_knots(start: float, stop: float, n_spans: int, degree: int = DEGREE) -> NDArray[np.float64]:
    """Uniform knots on [start, stop] with ``degree + 1`` equal knots at each end."""
    inner = np.linspace(start, stop, n_spans + 1)
    return np.concatenate([np.full(degree, start), inner, np.full(degree, stop)])


def periodic_knots(n_spans: int, degree: int = DEGREE) -> NDArray[np.float64]:
    """Uniform knots for one turn with ``degree`` more on each side, for a periodic spline."""
    return np.asarray(np.arange(-degree, n_spans + degree + 1) * (TURN_RAD / n_spans), dtype=np.float64)


def wrapped(angle_rad: ArrayLike) -> NDArray[np.float64]:
    """The same angles in [0, 2 pi)."""
    turned = np.mod(np.asarray(angle_rad, dtype=np.float64), TURN_RAD)
    return np.where(turned >= TURN_RAD, 0.0, turned)


def local_basis(x: NDArray[np.float64], knots: NDArray[np.float64], degree: int = DEGREE) -> LocalBasis:
    """Evaluate the basis functions that are not zero at ``x`` (inside the span of the knots)."""
    design = BSpline.design_matrix(x, knots, degree)
    width = degree + 1
    first = design.indices.reshape(-1, width)[:, 0].astype(np.int64)
    return LocalBasis(first, design.data.reshape(-1, width))


def derivative_gram(
    knots: NDArray[np.float64], orders: tuple[float, ...], degree: int = DEGREE
) -> NDArray[np.float64]:
    """Integrate products of one differential operator applied to the basis functions.

    Parameters
    ----------
    knots : (m,) knots of the basis
    orders : coefficients of the operator, ``sum(orders[k] * d^k/dx^k)``

    Returns
    -------
    (n, n) dense banded matrix of the integrals over the span of the basis, exact: Gauss-Legendre
    quadrature with ``degree + 1`` nodes a span.
    """
    n = len(knots) - degree - 1
    inner = knots[degree : n + 1]
    nodes, weights = np.polynomial.legendre.leggauss(degree + 1)
    half = np.diff(inner) / 2.0
    x = (inner[:-1, None] + half[:, None] * (nodes + 1.0)).ravel()
    w = (half[:, None] * weights).ravel()
    operator = np.zeros((len(x), n))
    basis = BSpline(knots, np.eye(n), degree)
    for order, coefficient in enumerate(orders):
        if coefficient != 0.0:
            operator += coefficient * basis(x, nu=order)
    return (operator.T * w) @ operator


def wrapped_gram(gram: NDArray[np.float64], n_spans: int) -> NDArray[np.float64]:
    """Fold the Gram matrix of a basis on one turn into that of the periodic basis."""
    fold = np.zeros((len(gram), n_spans))
    fold[np.arange(len(gram)), np.arange(len(gram)) % n_spans] = 1.0
    return fold.T @ gram @ fold


@dataclass(frozen=True)
class TubeBasis:
    """Tensor basis of a tube surface: clamped along ``u``, periodic around ``v``."""

    knots_u: NDArray[np.float64]
    knots_v: NDArray[np.float64]

    @classmethod
    def uniform(cls, start_mm: float, stop_mm: float, n_spans_u: int, n_spans_v: int) -> "TubeBasis":
        """Basis over [start_mm, stop_mm] and one turn with so many equal spans."""
        return cls(clamped_knots(start_mm, stop_mm, n_spans_u), periodic_knots(n_spans_v))

    @property
    def n_u(self) -> int:
        """Number of basis functions along the tube."""
        return len(self.knots_u) - DEGREE - 1

    @property
    def n_v(self) -> int:
        """Number of basis functions around the tube."""
        return len(self.knots_v) - 2 * DEGREE - 1

    @property
    def range_u(self) -> tuple[float, float]:
        """First and last station that the basis reaches, mm."""
        return float(self.knots_u[0]), float(self.knots_u[-1])

    @cached_property
    def variation_u(self) -> NDArray[np.float64]:
        """Integral of products of fourth derivatives along the tube: lines, parabolas and cubics go free."""
        return derivative_gram(self.knots_u, (0.0, 0.0, 0.0, 0.0, 1.0))

    @cached_property
    def fourths_u(self) -> NDArray[np.float64]:
        """Fourth derivatives along the tube, (n_spans, n_u): constant on each span, and times the square root
        of its length, so that their products sum up to :attr:`variation_u`."""
        inner = self.knots_u[DEGREE : self.n_u + 1]
        fourths = BSpline(self.knots_u, np.eye(self.n_u), DEGREE)((inner[1:] + inner[:-1]) / 2.0, nu=4)
        return np.asarray(fourths * np.sqrt(np.diff(inner))[:, None])

    @cached_property
    def bending_u(self) -> NDArray[np.float64]:
        """Integral of products of second derivatives along the tube: straight lines cost nothing."""
        return derivative_gram(self.knots_u, (0.0, 0.0, 1.0))

    @cached_property
    def abscissae_u(self) -> NDArray[np.float64]:
        """Coefficients (n_u,) of u itself: Greville's abscissae."""
        knots = self.knots_u
        return np.asarray(np.mean([knots[k : k + self.n_u] for k in range(1, DEGREE + 1)], axis=0))

    @cached_property
    def mass_u(self) -> NDArray[np.float64]:
        """Integral of products of the basis functions along the tube."""
        return derivative_gram(self.knots_u, (1.0,))

    @cached_property
    def ellipse_operator_v(self) -> NDArray[np.float64]:
        """Integral of products of ``d/dv (d^2/dv^2 + 1)`` around the tube: every ellipse costs nothing."""
        return wrapped_gram(derivative_gram(self.knots_v, (0.0, 1.0, 0.0, 1.0)), self.n_v)

    @cached_property
    def mass_v(self) -> NDArray[np.float64]:
        """Integral of products of the basis functions around the tube."""
        return wrapped_gram(derivative_gram(self.knots_v, (1.0,)), self.n_v)

    @cached_property
    def waves_v(self) -> NDArray[np.float64]:
        """Integral of squared third derivatives around the tube over that of squares, for each wave that a
        periodic basis carries, (n_v,) in the order of a discrete Fourier transform: about the sixth power of
        the number of waves a turn."""
        rough = wrapped_gram(derivative_gram(self.knots_v, (0.0, 0.0, 0.0, 1.0)), self.n_v)
        return np.asarray(np.fft.fft(rough[0]).real / np.fft.fft(self.mass_v[0]).real)

    def circulant_v(self, spectrum: NDArray[np.float64]) -> NDArray[np.float64]:
        """The mass matrix around the tube with each wave weighted, (n_v, n_v) from (n_v,)."""
        row = np.fft.ifft(spectrum * np.fft.fft(self.mass_v[0]).real).real
        turn = np.arange(self.n_v)
        return np.asarray(row[(turn[:, None] - turn) % self.n_v])

    def local(self, u: NDArray[np.float64], v: NDArray[np.float64]) -> tuple[LocalBasis, LocalBasis]:
        """Local basis values along and around the tube at n places."""
        start, stop = self.range_u
        return local_basis(np.clip(u, start, stop), self.knots_u), local_basis(wrapped(v), self.knots_v)
