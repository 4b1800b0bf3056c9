"""Laying the sections of one whole tube onto those of the broken one."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline, make_interp_spline
from scipy.spatial.transform import Rotation

from gaploft.donor.rings import STEP_MM
from gaploft.shelf.descriptor import N_WAVES, Outlines
from gaploft.shelf.sieve import UNSHOWN_MM, Broken
from gaploft.shelf.slides import starts
from gaploft.surface.basis import TURN_RAD

Floats = NDArray[np.float64]

#: Directions in which outlines are compared, and rounds of laying them onto each other.
_ANGLES, _ROUNDS = 24, 3
#: Ways to move that sections show less than this share of the best shown one are left alone.
_SHOWN = 1e-7
_WAVE = np.arange(N_WAVES + 1)
_ANGLE = np.arange(_ANGLES) * (TURN_RAD / _ANGLES)


@dataclass(frozen=True)
class Lying:
    """A whole tube as it lies on a broken one.

    Attributes
    ----------
    matrix : (4, 4) rigid motion that carries the whole tube's frame into the broken one's
    slide : its sections' numbers less those of the broken tube
    misfit_mm : normal distance of the seen sections, root mean square
    unsure_mm : the same with the seen sections that it does not reach counted as somewhat off
    """

    matrix: Floats
    slide: float
    misfit_mm: float
    unsure_mm: float


@dataclass(frozen=True)
class Ground:
    """The sections of a broken tube as points (j, a, 3), with outward normals."""

    tube: Broken

    @property
    def outlines(self) -> Outlines:
        """The sections."""
        return self.tube.outlines

    @cached_property
    def at(self) -> NDArray[np.int64]:
        """Numbers of the seen sections."""
        return np.flatnonzero(self.outlines.seen)

    @cached_property
    def points(self) -> Floats:
        """Outlines of all sections."""
        return Sections(self.outlines).at(np.arange(len(self.outlines.seen), dtype=float), 0.0)

    @cached_property
    def normals(self) -> Floats:
        """Outward normals there."""
        spectrum = np.fft.rfft(self.points, axis=1) * (1j * np.arange(_ANGLES // 2 + 1))[:, None]
        normals = np.cross(np.fft.irfft(spectrum, _ANGLES, axis=1), np.gradient(self.points, axis=0))
        return np.asarray(normals / np.linalg.norm(normals, axis=2, keepdims=True))


@dataclass(frozen=True)
class Sections:
    """Sections of a tube at any place along it."""

    outlines: Outlines

    @cached_property
    def _spline(self) -> BSpline:
        waves, axes = self.outlines.waves_mm, self.outlines.axes
        columns = np.hstack([waves.real, waves.imag, self.outlines.centres_mm, axes[:, 1], axes[:, 2]])
        return make_interp_spline(np.arange(len(columns)), columns, min(3, len(columns) - 1))

    def at(self, station: Floats, turn_rad: float) -> Floats:
        """Outlines (j, a, 3) at stations, in steps; the first direction is turned that far."""
        columns = self._spline(station)
        n = N_WAVES + 1
        waves = columns[:, :n] + 1j * columns[:, n : 2 * n]
        waves[:, 1:] *= np.sqrt(2.0)
        angle = _ANGLE + turn_rad
        radius = (waves @ np.exp(1j * _WAVE[:, None] * angle)).real
        centre, first, second = columns[:, None, -9:-6], columns[:, None, -6:-3], columns[:, None, -3:]
        across = np.cos(angle)[:, None] * first + np.sin(angle)[:, None] * second
        return np.asarray(centre + radius[:, :, None] * across)


def lay(ground: Ground, whole: Outlines) -> Lying | None:
    """Find how a whole tube lies best on the seen sections of a broken one.

    Returns
    -------
    Lying
        None where the tube does not reach across the gap and some of both flanks.
    """
    sections = Sections(whole)
    found = []
    for slide, turn in starts(ground.tube, whole):
        inside = (ground.at + slide > -0.5) & (ground.at + slide < len(whole.seen) - 0.5)
        at = ground.at[inside]
        matrix, slide, off = _settled(ground, sections, at, slide, turn)
        square = (off**2 * len(at) + UNSHOWN_MM**2 * (len(ground.at) - len(at))) / len(ground.at)
        found.append(Lying(matrix, slide, off, float(np.sqrt(square))))
    return min(found, key=lambda lying: lying.unsure_mm, default=None)


def _settled(
    ground: Ground, whole: Sections, at: NDArray[np.int64], slide: float, turn_rad: float
) -> tuple[Floats, float, float]:
    """Motion, slide and misfit after some rounds of laying points onto the planes of the sections."""
    points, normals = ground.points[at], ground.normals[at]
    axes = ground.outlines.axes[at]
    end = len(whole.outlines.seen) - 1.0
    matrix = np.eye(4)
    off = np.zeros(0)
    for k in range(_ROUNDS):
        there = whole.at(np.clip(at + slide, 0.0, end), turn_rad)
        if k == 0:
            matrix = _closest(there, points)
        step, off = _step(there @ matrix[:3, :3].T + matrix[:3, 3], points, normals)
        matrix = step @ matrix
        apart = points - (there @ matrix[:3, :3].T + matrix[:3, 3])
        # Where the tubes slid along each other, other places belong together.
        along = np.einsum("jax,jx->ja", apart, axes[:, 0])
        arm = points - ground.outlines.centres_mm[at][:, None]
        around = np.einsum("jax,jax->ja", apart, np.cross(axes[:, :1], arm)) / (arm**2).sum(axis=2)
        slide += float(along.mean()) / STEP_MM
        turn_rad += float(around.mean())
    return matrix, slide, float(np.sqrt(np.mean(off**2)))


def _closest(there: Floats, points: Floats) -> Floats:
    """Rigid motion that brings points closest to others (S. Umeyama, IEEE PAMI 13(4), 1991; no scale)."""
    a, b = points.reshape(-1, 3), there.reshape(-1, 3)
    middle_a, middle_b = a.mean(axis=0), b.mean(axis=0)
    left, _, right = np.linalg.svd((a - middle_a).T @ (b - middle_b))
    left[:, 2] *= np.sign(np.linalg.det(left) * np.linalg.det(right))
    matrix = np.eye(4)
    matrix[:3, :3] = left @ right
    matrix[:3, 3] = middle_a - matrix[:3, :3] @ middle_b
    return matrix


def _step(there: Floats, points: Floats, normals: Floats) -> tuple[Floats, Floats]:
    """Rigid step (4, 4) that takes points onto planes, and what is then left, mm."""
    middle = points.mean(axis=(0, 1))
    arm = (there - middle).reshape(-1, 3)
    normal = normals.reshape(-1, 3)
    size = float(np.sqrt(np.mean((arm**2).sum(axis=1))))
    columns = np.hstack([np.cross(arm, normal) / size, normal])
    gap = ((points - there).reshape(-1, 3) * normal).sum(axis=1)
    strength, ways = np.linalg.eigh(columns.T @ columns)
    shown = strength > _SHOWN * strength[-1]
    moves = ways[:, shown] @ ((ways[:, shown].T @ (columns.T @ gap)) / strength[shown])
    turn = moves[:3] / size
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
    matrix[:3, 3] = middle + moves[3:] - matrix[:3, :3] @ middle
    return matrix, gap - columns @ moves
