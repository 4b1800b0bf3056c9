"""What a tube is likely to be: the prior of its moves and heights, as penalties."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from gaploft.surface.basis import TURN_RAD, TubeBasis
from gaploft.surface.equations import Equations, banded, diagonals, n_around
from gaploft.surface.sweep import N_MOVES

Floats = NDArray[np.float64]

#: Waves around a section that its moves already make: these heights are as stiff as the first one beyond.
_FIRST_WAVE = 3
#: Pull towards zero of heights that repeat the moves, and of moves towards what they were before, against
#: points all over the tube. It decides only what no point shows, such as the turn of a round tube.
_HELD_HEIGHTS, _HELD_MOVES = 1e-3, 1e-3
#: Polynomials along the tube that cost nothing.
_FREE = 4


@dataclass(frozen=True)
class Waves:
    """Stiffness as cut-off wavelengths in mm: a shorter wave is smoothed away, a longer one is kept.

    Attributes
    ----------
    bend_mm : of the section's shifts along the tube
    section_mm : of its affine changes along the tube, and of all heights
    detail_mm : along the tube, of a height that has three waves around it; finer ones are stiffer
    plain_mm : around the tube, of what differs from the mean section everywhere
    straight_mm : of the section's shifts and affine changes along the tube, by their second derivatives;
        0 for none of that
    """

    bend_mm: float
    section_mm: float
    detail_mm: float
    plain_mm: float
    straight_mm: float = 0.0


@dataclass(frozen=True)
class Fairness:
    """The penalties of a basis for a tube of this mean radius.

    A penalty of order m has the weight ``(wavelength / 2 pi)**(2 m)`` against a data term that is an
    integral over the surface. Along the tube fourth derivatives of moves and heights cost, so that lines,
    arcs and any steady taper go free; details around it cost by their second derivative along the tube, the
    more the finer they are: a section of any shape that only scales, shears and bends costs nothing else.
    A tube that runs on beyond where it is seen costs by how much it bends, too: cubic polynomials soon lead
    anywhere.
    """

    basis: TubeBasis
    radius_mm: float

    def _weights(self, waves: Waves) -> tuple[float, float, float, float, float]:
        return (
            (waves.bend_mm / TURN_RAD) ** 8,
            (waves.section_mm / TURN_RAD) ** 8,
            (waves.detail_mm / TURN_RAD) ** 4 / _FIRST_WAVE**6,
            (waves.plain_mm / TURN_RAD / self.radius_mm) ** 6,
            (waves.straight_mm / TURN_RAD) ** 4,
        )

    @cached_property
    def _fine(self) -> tuple[Floats, Floats]:
        """Penalty of each wave around the tube, and which ones repeat the moves."""
        waves = self.basis.waves_v
        turn = np.arange(self.basis.n_v)
        repeats = np.minimum(turn, self.basis.n_v - turn) < _FIRST_WAVE
        return np.maximum(waves, float(_FIRST_WAVE**6)), np.where(repeats, _HELD_HEIGHTS, 0.0)

    @cached_property
    def _parts(self) -> tuple[Floats, ...]:
        """Banded penalties of bend, section, detail, plain and straight for weights of one."""
        basis, radius = self.basis, self.radius_mm
        m = n_around(basis)
        fine, held = self._fine
        around = [basis.circulant_v(s) * radius for s in (np.ones(basis.n_v), fine, held)]
        rough, bending, mass = (diagonals(a) for a in (basis.variation_u, basis.bending_u, basis.mass_u))
        ring = TURN_RAD * radius
        bend, section, detail, plain, straight = (
            np.zeros((basis.n_u, rough.shape[1], m, m)) for _ in range(5)
        )
        moves = np.arange(N_MOVES)
        bend[:, :, moves[:2], moves[:2]] = ring * rough[:, :, None]
        section[:, :, moves[2:], moves[2:]] = ring * rough[:, :, None]
        straight[:, :, moves, moves] = ring * bending[:, :, None]
        section[:, :, N_MOVES:, N_MOVES:] = rough[:, :, None, None] * around[0]
        detail[:, :, N_MOVES:, N_MOVES:] = bending[:, :, None, None] * around[1]
        plain[:, :, N_MOVES:, N_MOVES:] = mass[:, :, None, None] * around[1]
        return tuple(banded(part) for part in (bend, section, detail, plain, straight))

    @cached_property
    def _held(self) -> Floats:
        """Banded pull towards zero of heights that repeat the moves."""
        basis = self.basis
        m = n_around(basis)
        mass = diagonals(basis.mass_u)
        blocks = np.zeros((basis.n_u, mass.shape[1], m, m))
        around = basis.circulant_v(self._fine[1]) * self.radius_mm
        blocks[:, :, N_MOVES:, N_MOVES:] = mass[:, :, None, None] * around
        return banded(blocks)

    def holding(self, moved_mm: Floats) -> Equations:
        """Equations that hold the moves where they are, weakly: (n_u, 6) in mm."""
        basis = self.basis
        m = n_around(basis)
        weight = _HELD_MOVES * TURN_RAD * self.radius_mm
        mass = diagonals(basis.mass_u)
        blocks = np.zeros((basis.n_u, mass.shape[1], m, m))
        moves = np.arange(N_MOVES)
        blocks[:, :, moves, moves] = weight * mass[:, :, None]
        rhs = np.zeros((basis.n_u, m))
        rhs[:, :N_MOVES] = weight * basis.mass_u @ moved_mm
        return Equations(banded(blocks), rhs.ravel())

    def weighted(self, waves: Waves) -> Floats:
        """Their sum for a stiffness, upper banded."""
        total = self._held.copy()
        for weight, part in zip(self._weights(waves), self._parts, strict=True):
            total += weight * part
        return total

    def roughness(self, waves: Waves, solution: Floats) -> float:
        """What a solution (n_u, 6 + n_v) costs: the quadratic form of :meth:`weighted`.

        Fourth derivatives are taken first and squared then. In a product with the matrix of a stiff penalty
        they would be what is left of much larger terms, which is rounding.
        """
        bend, section, detail, plain, straight = self._weights(waves)
        basis, radius = self.basis, self.radius_mm
        moves, heights = solution[:, :N_MOVES], solution[:, N_MOVES:]
        rough = basis.fourths_u @ moves
        of_moves = bend * (rough[:, :2] ** 2).sum() + section * (rough[:, 2:] ** 2).sum()
        of_moves += straight * (basis.bending_u @ moves * moves).sum()
        rough = basis.fourths_u @ heights
        one, fine, held = (basis.circulant_v(s) for s in (np.ones(basis.n_v), *self._fine))
        of_heights = section * (rough @ one * rough).sum()
        along = detail * basis.bending_u + plain * basis.mass_u
        of_heights += (along @ heights @ fine * heights).sum()
        of_heights += (basis.mass_u @ heights @ held * heights).sum()
        return float(radius * (TURN_RAD * of_moves + of_heights))

    @cached_property
    def _split(self) -> tuple[Floats, Floats, Floats]:
        """Unit coefficients along the tube that make no cubic, those that make cubics but no line, and fourth
        derivatives of the first."""
        basis = self.basis
        found = np.linalg.svd(basis.fourths_u)[2].T
        other, cubics = found[:, :-_FREE], found[:, -_FREE:]
        line = np.linalg.qr(np.column_stack([np.ones(basis.n_u), basis.abscissae_u]))[0]
        bent = np.linalg.svd(cubics - line @ (line.T @ cubics))[0][:, : _FREE - 2]
        return other, bent, basis.fourths_u @ other

    def _bent(self, rough: float, straight: float) -> float:
        """Logarithm of the determinant of one move's penalty, fourth and second derivatives, without lines.

        What bends in cubics alone costs nothing by its fourth derivatives, which rounding would not leave so:
        those of stiff penalties are larger by many orders than what cubics cost here.
        """
        other, bent, fourths = self._split
        bending = straight * self.basis.bending_u
        large = rough * fourths.T @ fourths + other.T @ bending @ other
        across = other.T @ bending @ bent
        small = bent.T @ bending @ bent - across.T @ np.linalg.solve(large, across)
        return float(np.linalg.slogdet(large)[1] + np.linalg.slogdet(small)[1])

    def log_determinant(self, waves: Waves) -> float:
        """Logarithm of the determinant of :meth:`weighted` without what goes free, up to a constant.

        Wave by wave around the tube.
        """
        bend, section, detail, plain, straight = self._weights(waves)
        basis = self.basis
        rough, mass = basis.variation_u, basis.mass_u
        if straight > 0.0:
            of_moves = 2.0 * self._bent(bend, straight) + (N_MOVES - 2.0) * self._bent(section, straight)
        else:
            of_moves = (basis.n_u - _FREE) * (2.0 * np.log(bend) + (N_MOVES - 2.0) * np.log(section))
        # The spectrum of a real periodic basis comes twice, but for its two ends.
        half = np.arange(basis.n_v // 2 + 1)
        often = np.where((half == 0) | (2 * half == basis.n_v), 1.0, 2.0)
        fine, held = (values[half, None, None] for values in self._fine)
        size = np.fft.fft(basis.mass_v[0]).real[half, None, None] * self.radius_mm
        each = section * rough + fine * (detail * basis.bending_u + plain * mass) + held * mass
        return float(of_moves + often @ np.linalg.slogdet(each * size)[1])
