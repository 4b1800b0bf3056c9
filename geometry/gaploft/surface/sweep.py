"""A section swept along an arc while it shifts and deforms affinely: the plain part of a tube's surface.

In the straightened coordinates of the arc the section at station ``u`` is
``t(u) + cx(v) X(u) + cy(v) Y(u)``: the mean section ``c`` under an affine map that changes along the tube.
A tube of any section that bends, tapers, grows flatter or twists is one of these, or close to it; what is
left stands on it along its normals, as a height in mm.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import solve

from gaploft.surface.arc import Arc
from gaploft.surface.basis import DEGREE, TURN_RAD, TubeBasis, local_basis, periodic_knots, wrapped

Floats = NDArray[np.float64]

#: Shift sideways twice, and the two vectors that the axes of the section are mapped to.
N_MOVES = 6
_UNMOVED = np.array([0.0, 0.0, 1.0, 0.0, 0.0, 1.0])
#: Cut-off of the first sweep along the tube, in diameters: loose enough for any tube, feet are near enough.
_FIRST_DIAMETERS = 1.5


@dataclass(frozen=True)
class Feet:
    """Places of n points on a sweep.

    ``height_mm`` (n,) is the distance along the outward normals; ``moves`` (n, 6) how far the surface goes
    along the normal when each of the six moves of the section is 1 mm.
    """

    u: Floats
    v: Floats
    height_mm: Floats
    moves: Floats


@dataclass(frozen=True)
class Sweep:
    """The swept section.

    Attributes
    ----------
    section : (n, 2) periodic coefficients of the mean section, about its centre, mm; finer than the basis
        around the tube, which heights are given in, where the section has tight edges
    moved_mm : (n_u, 6) coefficients of the moves along the tube, as departures from none: shift along the
        arc's normal and binormal, and the same for the ends of the section's two axes, ``radius_mm`` long
    """

    arc: Arc
    basis: TubeBasis
    section: Floats
    moved_mm: Floats
    radius_mm: float

    @cached_property
    def _splines(self) -> tuple[BSpline, BSpline, BSpline, BSpline]:
        moves = BSpline(self.basis.knots_u, self._maps(self.moved_mm), DEGREE)
        closed = np.concatenate([self.section, self.section[:DEGREE]])
        section = BSpline(periodic_knots(len(self.section)), closed, DEGREE)
        return moves, moves.derivative(), section, section.derivative()

    def _maps(self, moved_mm: Floats) -> Floats:
        scale = np.array([1.0, 1.0] + [self.radius_mm] * 4)
        return np.asarray(_UNMOVED + moved_mm / scale)

    def _tangents(self, u: Floats, v: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Flat points, derivatives along and around in the arc's frame, and the mean section; (n, 3) and
        (n, 2)."""
        moves, slopes, section, turns = self._splines
        u = np.clip(u, *self.basis.range_u)
        w, dw, c, dc = moves(u), slopes(u), section(wrapped(v)), turns(wrapped(v))
        flat = np.column_stack([u, w[:, :2] + c[:, :1] * w[:, 2:4] + c[:, 1:] * w[:, 4:]])
        along = np.column_stack(
            [1.0 - self.arc.curvature * flat[:, 1], dw[:, :2] + c[:, :1] * dw[:, 2:4] + c[:, 1:] * dw[:, 4:]]
        )
        around = np.column_stack([np.zeros(len(u)), dc[:, :1] * w[:, 2:4] + dc[:, 1:] * w[:, 4:]])
        return flat, along, around, c

    @cached_property
    def _outward(self) -> float:
        """Sign that makes the cross product of the derivatives around and along point outward."""
        v = np.arange(64, dtype=np.float64) * (TURN_RAD / 64)
        _, along, around, c = self._tangents(np.full(64, float(np.mean(self.basis.range_u))), v)
        return float(np.sign((np.cross(around, along)[:, 1:] * c).sum()))

    def _normals(self, along: Floats, around: Floats) -> Floats:
        normals = np.cross(around, along) * self._outward
        return np.asarray(normals / np.linalg.norm(normals, axis=1, keepdims=True))

    def _moves(self, normals: Floats, section: Floats) -> Floats:
        across, share = normals[:, 1:], section / self.radius_mm
        return np.hstack([across, share[:, :1] * across, share[:, 1:] * across])

    def moves(self, u: Floats, v: Floats) -> Floats:
        """How far the surface goes along its normal at 1 mm of each move, (n, 6)."""
        _, along, around, c = self._tangents(u, v)
        return self._moves(self._normals(along, around), c)

    def feet(self, points: Floats, u: Floats, v: Floats, *, steps: int = 3) -> Feet:
        """Nearest places of points (n, 3) by Gauss-Newton steps from a start; near enough after three, since
        points lie close to the surface."""
        for _ in range(steps):
            off, along, around, _ = self._offsets(points, u, v)
            a, b, c = (along * along).sum(1), (along * around).sum(1), (around * around).sum(1)
            pull_u, pull_v = (off * along).sum(1), (off * around).sum(1)
            determinant = a * c - b * b
            u = np.clip(u + (c * pull_u - b * pull_v) / determinant, *self.basis.range_u)
            v = wrapped(v + np.clip((a * pull_v - b * pull_u) / determinant, -0.3, 0.3))
        off, along, around, section = self._offsets(points, u, v)
        normals = self._normals(along, around)
        return Feet(u, v, (off * normals).sum(1), self._moves(normals, section))

    def _offsets(self, points: Floats, u: Floats, v: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Points as seen from places on the sweep, in the arc's frame there, with its tangents."""
        flat, along, around, section = self._tangents(u, v)
        tangents, normals = self.arc.axes(flat[:, 0])
        off = points - self.arc.points(flat[:, 0])
        off = np.column_stack([(off * tangents).sum(1), (off * normals).sum(1), off @ self.arc.binormal])
        off[:, 1:] -= flat[:, 1:]
        return off, along, around, section

    def raised(self, u: Floats, v: Floats, height_mm: Floats) -> Floats:
        """Points (n, 3) at heights above places on the sweep."""
        flat, along, around, _ = self._tangents(u, v)
        normals = self._normals(along, around) * height_mm[:, None]
        tangents, across = self.arc.axes(flat[:, 0])
        turned = normals[:, :1] * tangents + normals[:, 1:2] * across + normals[:, 2:] * self.arc.binormal
        return np.asarray(self.arc.bent(flat) + turned)

    def unmoved(self, flat: Floats, u: Floats) -> Floats:
        """Where straightened points (n, 3) lie in the mean section when its moves at ``u`` are undone."""
        w = self._splines[0](np.clip(u, *self.basis.range_u))
        axes = np.stack([w[:, 2:4], w[:, 4:]], axis=2)
        return np.asarray(np.linalg.solve(axes, (flat[:, 1:] - w[:, :2])[:, :, None])[:, :, 0])


@dataclass(frozen=True)
class Bridge:
    """A strip around the section that was never seen, and the cut-off wavelength that it is bridged with."""

    start_rad: float
    width_rad: float
    cut_off_mm: float


def mean_section(
    local: Floats, v: Floats, weights: Floats, like: Sweep, plain_mm: float, bridge: Bridge | None = None
) -> Floats:
    """Coefficients of the section through weighted points (k, 2) with parameters ``v``, like that of a sweep.

    ``plain_mm`` is the cut-off wavelength around it, with a strip to be bridged the bridge's own if longer.
    """
    n = len(like.section)
    basis = TubeBasis(np.zeros(0), periodic_knots(n))
    around = periodic_design(basis, v)
    weighted = around.T * weights
    cut_off_mm = plain_mm if bridge is None else max(plain_mm, bridge.cut_off_mm)
    rough = (cut_off_mm / (TURN_RAD * like.radius_mm)) ** 6 * basis.ellipse_operator_v + 1e-9 * np.eye(n)
    smooth = weights.sum() / TURN_RAD * rough
    return np.asarray(solve(weighted @ around + smooth, weighted @ local, assume_a="pos"))


def _patches(basis: TubeBasis, flat: Floats, v: Floats) -> tuple[Floats, Floats, Floats]:
    """Means of straightened points (k, 3) and of their ``v`` over small patches, and how many lie in each."""
    first, last = basis.range_u
    n_u, n_v = 2 * basis.n_u, 4 * basis.n_v
    row = np.clip(((flat[:, 0] - first) * (n_u / (last - first))).astype(int), 0, n_u - 1)
    column = (v * (n_v / TURN_RAD)).astype(int) % n_v
    patch = row * n_v + column
    count = np.bincount(patch, minlength=n_u * n_v)
    full = np.flatnonzero(count)
    off = np.mod(v - column * (TURN_RAD / n_v) + np.pi, TURN_RAD) - np.pi
    means = [np.bincount(patch, values)[full] / count[full] for values in (*flat.T, off)]
    return np.column_stack(means[:3]), means[3] + full % n_v * (TURN_RAD / n_v), count[full].astype(float)


def first_sweep(
    basis: TubeBasis,
    arc: Arc,
    flat: Floats,
    v: Floats,
    *,
    n_section: int,
    plain_mm: float,
    bridge: Bridge | None = None,
) -> Sweep:
    """Sweep through straightened points (k, 3) with known parameters ``v``, by turns for section and moves.

    It is a start only, and means over small patches of the points do for it.
    """
    radius = float(np.linalg.norm(flat[:, 1:] - flat[:, 1:].mean(axis=0), axis=1).mean())
    flat, v, weights = _patches(basis, flat, v)
    u, places = np.clip(flat[:, 0], *basis.range_u), flat[:, 1:]
    along = BSpline.design_matrix(u, basis.knots_u, DEGREE).toarray()
    per_mm = weights.sum() / float(np.ptp(u))
    stiff = per_mm * (
        (_FIRST_DIAMETERS * 2.0 * radius / TURN_RAD) ** 8 * basis.variation_u + 1e-6 * basis.mass_u
    )
    sweep = Sweep(arc, basis, np.zeros((n_section, 2)), np.zeros((basis.n_u, N_MOVES)), radius)
    for _ in range(4):
        section = mean_section(sweep.unmoved(flat, u), v, weights, sweep, plain_mm, bridge)
        sweep = replace(sweep, section=section)
        seen = sweep._tangents(u, v)[3]
        # The section's own centre belongs to its moves.
        sweep = replace(sweep, section=section - np.average(seen, axis=0, weights=weights))
        seen = sweep._tangents(u, v)[3]
        shares = np.column_stack([np.ones(len(u)), seen / radius])
        design = (along[:, :, None] * shares[:, None, :]).reshape(len(u), -1)
        weighted = design.T * weights
        system = weighted @ design + np.kron(stiff, np.eye(3))
        moved = solve(system, weighted @ (places - seen), assume_a="pos").reshape(basis.n_u, N_MOVES)
        sweep = replace(sweep, moved_mm=moved)
    return sweep


def periodic_design(basis: TubeBasis, v: Floats) -> Floats:
    """Values of the periodic basis around the tube, (n, n_v)."""
    local = local_basis(wrapped(v), basis.knots_v)
    design = np.zeros((len(v), basis.n_v))
    column = (local.first[:, None] + np.arange(DEGREE + 1)) % basis.n_v
    design[np.arange(len(v))[:, None], column] = local.values
    return design
