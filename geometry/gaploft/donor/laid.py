"""Laying the points of a broken tube onto the surface of a whole one."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import FootPoints, TubeSurface
from gaploft.surface.shape import Shape
from gaploft.tube.axes import Axes, axes_about, inverse, moved
from gaploft.tube.robust import blocks, sandwich, tukey

Floats = NDArray[np.float64]

#: Samples of a donor's surface, from which feet are looked for: mm along it, and around.
_SAMPLE_MM, _AROUND = 3.0, 96
_ROUNDS, _DONE_MM = 40, 2e-6
#: A residual scale is never taken as less than this, mm.
_LEAST_SCALE_MM = 2e-4
#: Points whose foot is this near to an end of the donor don't count, mm.
_END_MM = 0.5
#: A motion of 1 mm that moves the points by less than this along the normals, root mean square, is not seen.
_LEAST_SHOWN = 0.002
#: Points further off than this many radii are no part of the tube.
_FAR_RADII = 0.5


@dataclass(frozen=True)
class Ground:
    """The surface of a whole tube to lay points onto, with samples of it to start from."""

    surface: TubeSurface
    radius_mm: float

    @classmethod
    def of(cls, shape: Shape) -> "Ground":
        """That of a shape."""
        return cls(shape.surface, shape.sweep.radius_mm)

    @cached_property
    def _samples(self) -> tuple[KDTree, Floats, Floats]:
        first, last = self.surface.range_u
        u = np.linspace(first, last, max(2, int((last - first) / _SAMPLE_MM) + 1))
        v = np.arange(_AROUND) * (TURN_RAD / _AROUND)
        uu, vv = (places.ravel() for places in np.meshgrid(u, v, indexing="ij"))
        return KDTree(self.surface.evaluate(uu, vv)), uu, vv

    def nearest(self, points: Floats) -> tuple[Floats, Floats]:
        """Parameters of the samples nearest to points (n, 3)."""
        tree, u, v = self._samples
        at = tree.query(points)[1]
        return u[at], v[at]

    def feet(
        self, points: Floats, near: tuple[Floats, Floats] | None = None, *, steps: int = 3
    ) -> FootPoints:
        """Feet of points (n, 3), looked for at the nearest sample or at given parameters."""
        u, v = self.nearest(points) if near is None else near
        return self.surface.project(points, u, v, steps=steps, second_order=False)

    def inside(self, u: Floats) -> NDArray[np.bool_]:
        """Which feet do not lie at an end of the tube."""
        first, last = self.surface.range_u
        return np.asarray((u > first + _END_MM) & (u < last - _END_MM))


@dataclass(frozen=True)
class Laid:
    """Points laid onto a tube.

    Attributes
    ----------
    matrix : (4, 4) carries the whole tube into the frame of the points
    axes : about which steps and covariance are told, in the frame of the whole tube
    information : (6, 6) normal equations of the steps, each step in mm, per point
    covariance : (6, 6) of the steps, mm^2; ``held`` directions have none
    held : (6, k) directions of motion that the points do not show
    scale_mm : robust standard deviation of what is left
    rms_mm : of the points that count
    share : how many of the points count
    counted : (n,) which points count
    residual_mm : (n,) distance of each point from the whole tube, less the coat
    coat_mm : how much further out the points lie all over, as under another coat of paint; 0 where that was
        not asked for
    """

    matrix: Floats
    axes: Axes
    information: Floats
    covariance: Floats
    held: Floats
    scale_mm: float
    rms_mm: float
    share: float
    counted: NDArray[np.bool_]
    residual_mm: Floats
    coat_mm: float = 0.0


def lay(
    ground: Ground,
    points: Floats,
    start: Floats,
    *,
    rounds: int = _ROUNDS,
    pinned: tuple[Floats, Floats, float] | None = None,
    coat: bool = False,
) -> Laid | None:
    """Find the rigid motion that lays a whole tube under points of a broken one.

    Parameters
    ----------
    points : (n, 3) trusted points of the flanks
    start : (4, 4) motion of the whole tube into the frame of the points, to begin with
    pinned : one place (3,) among the points, the same one on the whole tube (3,), and the standard
        uncertainty of either, mm: decides what the surfaces leave open
    coat : let the points lie further out or in by the same all over, too

    Returns
    -------
    Laid
        None where hardly any of the points meet the tube.

    Notes
    -----
    Point-to-plane least squares on distances along the surface's normals (Y. Chen and G. Medioni, Image and
    Vision Computing 10(3), 1992; cited from memory) with Tukey's weights, scale from the median, repeated
    until nothing moves. Directions in which the tube slides along itself are weak eigenvectors of the normal
    equations (N. Gelfand, L. Ikemoto, S. Rusinkiewicz, M. Levoy, "Geometrically stable sampling for the ICP
    algorithm", 3DIM 2003; cited from memory) and are left alone.
    """
    back = inverse(start)
    radius = ground.radius_mm
    near: tuple[Floats, Floats] | None = None
    axes: Axes | None = None
    laid = None
    for _ in range(rounds):
        there = moved(points, back)
        feet = ground.feet(there, near, steps=3 if near is None else 1)
        near = (feet.u, feet.v)
        counted = ground.inside(feet.u) & (np.abs(feet.distance_mm) < _FAR_RADII * radius)
        if counted.sum() < max(100, 0.2 * len(points)):
            return None
        if axes is None:
            axes = axes_about(there[counted], feet.normals[counted], there[counted].mean(axis=0))
        laid = _step(axes, there, feet, counted, _pin(axes, back, pinned), coat)
        back = axes.matrix(laid[0]) @ back
        if np.abs(laid[0]).max() < _DONE_MM:
            break
    assert laid is not None
    assert axes is not None
    _, information, covariance, held, scale, weight, thicker = laid
    inside = counted & (weight > 0.0)
    residual = feet.distance_mm - thicker
    return Laid(
        inverse(back),
        axes,
        information,
        covariance,
        held,
        scale,
        float(np.sqrt(np.mean(residual[inside] ** 2))),
        float(inside.sum()) / max(int(counted.sum()), 1),
        inside,
        residual,
        thicker,
    )


_Step = tuple[Floats, Floats, Floats, Floats, float, Floats, float]


def _step(
    axes: Axes,
    there: Floats,
    feet: FootPoints,
    counted: NDArray[np.bool_],
    pin: tuple[Floats, Floats] | None,
    coat: bool,
) -> _Step:
    """One step of the points towards the tube: steps, information, covariance, held, scale, weights, coat."""
    at, residual = there[counted], feet.distance_mm[counted]
    columns = axes.columns(at, feet.normals[counted])
    thicker = float(np.median(residual)) if coat else 0.0
    scale = max(1.4826 * float(np.median(np.abs(residual - thicker))), _LEAST_SCALE_MM)
    weight = tukey(residual - thicker, scale)
    if coat:
        # The same all over is one more unknown; without its means it takes no part in the others.
        share = weight / weight.sum()
        thicker, columns = float(share @ residual), columns - share @ columns
    residual = residual - thicker
    block = blocks(at)
    information: Floats = (columns * weight[:, None]).T @ columns
    # Noise goes together: so many blocks, not points, speak for a direction.
    per_block = float(weight.sum()) / (int(block.max()) + 1)
    shown, ways = np.linalg.eigh(information)
    known = shown > _LEAST_SHOWN**2 * float(weight.sum())
    steps: Floats
    covariance: Floats
    pull: Floats = -(columns * weight[:, None]).T @ residual
    if pin is not None:
        rows, off = pin
        total = information / (scale * scale * per_block) + rows.T @ rows
        steps = np.asarray(np.linalg.solve(total, pull / (scale * scale * per_block) - rows.T @ off))
        covariance = inverse(np.asarray(total))
        held: Floats = np.zeros((6, 0))
    else:
        seen = ways[:, known]
        steps = np.asarray(seen @ ((seen.T @ pull) / shown[known]))
        covariance = seen @ sandwich(columns @ seen, residual, scale, block) @ seen.T
        held = np.asarray(ways[:, ~known])
    full: Floats = np.zeros(len(there))
    full[counted] = weight
    return steps, information / float(weight.sum()), covariance, held, scale, full, thicker


def _pin(
    axes: Axes, back: Floats, pinned: tuple[Floats, Floats, float] | None
) -> tuple[Floats, Floats] | None:
    """Rows (3, 6) and what is off (3,), in standard uncertainties, of a place that is known on both."""
    if pinned is None:
        return None
    place, same, doubt = pinned
    at = moved(place[None], back)
    rows = np.concatenate([axes.columns(at, way[None]) for way in np.eye(3)])
    return rows / doubt, (at[0] - same) / doubt
