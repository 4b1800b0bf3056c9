"""What a tube is found by: outlines and spine at even stations, in the tube's own frame.

Columns of the table are in mm, and such that differences mean misfit: the sum of squared differences of the
outline's columns is the mean square of the radial distance between two outlines (Parseval's theorem).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import make_interp_spline

from gaploft.donor.rings import STEP_MM, Rings, rings_of
from gaploft.surface.shape import Shape
from gaploft.tube.frames import rotation_minimising_frames

Floats = NDArray[np.float64]
Table = NDArray[np.float32]

#: Waves of the outline that are kept: the eighth is the second that a square section has.
N_WAVES = 8
#: Mean radius, cosine and sine of each wave, centre.
N_COLUMNS = 1 + 2 * N_WAVES + 3
#: Half the window over which bend is taken, in stations, and for how long an arc its misfit is told, mm.
HALF_WINDOW, _ARC_MM = 5, 100.0
#: Second differences of the spine times this are the distance, root mean square, by which an arc of that
#: curvature leaves its best straight line over ``_ARC_MM``: k L**2 / sqrt(720).
_BEND = _ARC_MM**2 / np.sqrt(720.0) / (HALF_WINDOW * STEP_MM) ** 2
_WAVE = np.arange(N_WAVES + 1)


@dataclass(frozen=True)
class Outlines:
    """Sections of a tube, ``STEP_MM`` apart along its spine.

    Attributes
    ----------
    waves_mm : (k, 9) complex, mean radius and waves of the outline by angle from the first direction across
        towards the second: the radius at an angle is the real part of their sum, each turned, and all but the
        first times the square root of two
    centres_mm : (k, 3)
    axes : (k, 3, 3) rows: along the tube and two directions across it that do not turn about it
    seen : (k,) which of them are known
    """

    waves_mm: NDArray[np.complex128]
    centres_mm: Floats
    axes: Floats
    seen: NDArray[np.bool_]

    def reversed(self) -> "Outlines":
        """The same tube, seen from its other end."""
        turned = self.axes[::-1] * np.array([-1.0, 1.0, -1.0])[:, None]
        return Outlines(self.waves_mm[::-1].conj(), self.centres_mm[::-1], turned, self.seen[::-1])

    def reflected(self) -> "Outlines":
        """The mirror image in the plane of the first two axes of the frame."""
        mirror = np.array([1.0, 1.0, -1.0])
        axes = self.axes * mirror * np.array([1.0, 1.0, -1.0])[:, None]
        return replace(self, waves_mm=self.waves_mm.conj(), centres_mm=self.centres_mm * mirror, axes=axes)

    @property
    def bend_mm(self) -> NDArray[np.complex128]:
        """(k - 2 HALF_WINDOW,) bend across the first and, imaginary, the second direction, as a misfit."""
        inner = slice(HALF_WINDOW, -HALF_WINDOW)
        second = _BEND * _second_differences(self.centres_mm)
        across = np.einsum("ijk,ik->ij", self.axes[inner, 1:], second)
        return across[:, 0] + 1j * across[:, 1]

    @property
    def table(self) -> Table:
        """(k, N_COLUMNS) what is stored."""
        waves = self.waves_mm[:, 1:]
        pairs = np.stack([waves.real, waves.imag], axis=2).reshape(len(waves), -1)
        return np.hstack([self.waves_mm[:, :1].real, pairs, self.centres_mm]).astype(np.float32)


def outlines_of(rings: Rings, start: Floats | None = None) -> Outlines:
    """Bring sections to even distances along the spine, whatever their own stations are.

    Parameters
    ----------
    start : direction from which angles of the first section count; without it, that of the rings
    """
    steps = np.linalg.norm(np.diff(rings.centres_mm, axis=0), axis=1)
    at = np.concatenate([[0.0], np.cumsum(steps)])
    even = STEP_MM * np.arange(int(at[-1] / STEP_MM + 1e-6) + 1)
    waves = np.fft.fft(rings.radius_mm, axis=1)[:, : N_WAVES + 1] / rings.radius_mm.shape[1]
    waves[:, 1:] *= np.sqrt(2.0)
    columns = np.hstack([waves.real, waves.imag, rings.centres_mm])
    columns = make_interp_spline(at, columns, min(3, len(at) - 1))(even)
    waves, centres = columns[:, : N_WAVES + 1] + 1j * columns[:, N_WAVES + 1 : -3], columns[:, -3:]
    axes = _frames(centres, rings.axes[0, 1] if start is None else start)
    first, second = rings.axes[0, 1:] @ axes[0, 1]
    seen = np.interp(even, at, rings.seen.astype(float)) > 1.0 - 1e-9
    return Outlines(waves * np.exp(1j * np.arctan2(second, first) * _WAVE), centres, axes, seen)


def outlines_from(table: Table) -> Outlines:
    """Read a stored table."""
    columns = np.asarray(table, dtype=np.float64)
    pairs = columns[:, 1:-3].reshape(len(columns), N_WAVES, 2)
    waves = np.hstack([columns[:, :1], pairs[..., 0] + 1j * pairs[..., 1]])
    centres = columns[:, -3:]
    return Outlines(waves, centres, _frames(centres, np.eye(3)[1]), np.ones(len(columns), dtype=bool))


def descriptor(shape: Shape) -> Table:
    """Describe a tube that lies in its own frame: along x at its beginning, angles counted from y."""
    return outlines_of(rings_of(shape.surface, shape.range_u), np.eye(3)[1]).table


def turn_free(table: NDArray[np.floating]) -> Floats:
    """What of tables (..., k, N_COLUMNS) depends on no pose, turn or direction along the tube.

    Returns
    -------
    (..., k, 2 + N_WAVES) mean radius, size of each wave, and bend; bend is 0 within ``HALF_WINDOW`` of the
    ends. A difference is never larger than the misfit that it stands for.
    """
    pairs = table[..., 1:-3]
    out = np.zeros((*table.shape[:-1], 2 + N_WAVES))
    out[..., 0] = table[..., 0]
    out[..., 1:-1] = np.hypot(pairs[..., 0::2], pairs[..., 1::2])
    bend = _second_differences(np.moveaxis(table[..., -3:], -2, 0).astype(np.float64))
    out[..., HALF_WINDOW:-HALF_WINDOW, -1] = np.moveaxis(_BEND * np.linalg.norm(bend, axis=-1), 0, -1)
    return out


def _second_differences(centres: Floats) -> Floats:
    h = HALF_WINDOW
    return np.asarray(centres[: -2 * h] - 2.0 * centres[h:-h] + centres[2 * h :])


def _frames(centres: Floats, start: Floats) -> Floats:
    along = np.gradient(centres, axis=0) if len(centres) > 1 else np.ones((1, 3))
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    first = rotation_minimising_frames(centres, along, start - (start @ along[0]) * along[0])
    return np.stack([along, first, np.cross(along, first)], axis=1)
