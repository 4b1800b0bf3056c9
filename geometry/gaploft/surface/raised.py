"""A sweep with heights on it, as one tensor spline."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from gaploft.surface.basis import DEGREE, TURN_RAD, TubeBasis, periodic_knots
from gaploft.surface.model import TubeSurface
from gaploft.surface.sweep import N_MOVES, Sweep, periodic_design

Floats = NDArray[np.float64]


def raised_surface(sweep: Sweep, solution: Floats) -> TubeSurface:
    """The surface that moves and heights (n_u, 6 + n_v) on a sweep say.

    Its basis around is that of the mean section; at twice as many places as coefficients the spline is
    fitted to sweep and heights, which it resembles far closer than a scan can tell.
    """
    basis = sweep.basis
    sweep = replace(sweep, moved_mm=solution[:, :N_MOVES])
    fine = TubeBasis(basis.knots_u, periodic_knots(max(len(sweep.section), basis.n_v)))
    u = np.linspace(*fine.range_u, 2 * fine.n_u)
    v = np.arange(2 * fine.n_v, dtype=np.float64) * (TURN_RAD / (2 * fine.n_v))
    along = BSpline.design_matrix(u, fine.knots_u, DEGREE).toarray()
    heights = along @ solution[:, N_MOVES:] @ periodic_design(basis, v).T
    uu, vv = np.meshgrid(u, v, indexing="ij")
    points = sweep.raised(uu.ravel(), vv.ravel(), heights.ravel()).reshape(len(u), len(v), 3)
    return TubeSurface(fine, through_grid(fine, u, v, points)).turned_outward()


def through_grid(basis: TubeBasis, u: Floats, v: Floats, points: Floats) -> Floats:
    """Coefficients (n_u, n_v, 3) of the surface closest to a grid of points (k, l, 3), least squares."""
    along = BSpline.design_matrix(u, basis.knots_u, DEGREE).toarray()
    to_v = np.linalg.pinv(periodic_design(basis, v))
    return np.asarray(np.einsum("ai,bj,ijk->abk", np.linalg.pinv(along), to_v, points, optimize=True))
