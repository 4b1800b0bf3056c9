"""The surface of the bare laminate unrolled, with its true lengths."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from gaploft.surface.basis import TURN_RAD, wrapped
from gaploft.surface.model import TubeSurface
from gaploft.target.readings import Over

Floats = NDArray[np.float64]

_STEP_MM, _AROUND = 1.0, 720
#: Nodes and weights of a straight line's length, 0 to 1.
_NODES, _WEIGHTS = (
    0.5 + 0.5 * np.polynomial.legendre.leggauss(4)[0],
    np.polynomial.legendre.leggauss(4)[1] / 2,
)


@dataclass(frozen=True)
class Chart:
    """The laminate's outer surface unrolled onto a plane: x along the tube, y around it, both in mm.

    Lines along and around the tube keep their mean lengths, so that on tubes the plane differs from the
    surface by some per cent at most. ``metric`` (3, n_u, n_v) is the first fundamental form E, F, G in x and
    y at even places ``u`` (n_u,) and around a turn, and says by how much; ``x`` (n_u,) and ``y``
    (n_v + 1,) are the plane's coordinates there.
    """

    u: Floats
    x: Floats
    y: Floats
    metric: Floats

    @property
    def turn_mm(self) -> float:
        """Once around the tube."""
        return float(self.y[-1])

    def unrolled(self, u: Floats, v: Floats) -> Floats:
        """Places in the plane, (n, 2), y from 0 to the turn; beyond the ends x runs on as it does there."""
        step_u, step_x = self.u[1] - self.u[0], np.diff(self.x)[[0, -1]]
        x = np.interp(u, self.u, self.x)
        x += np.minimum(u - self.u[0], 0.0) * step_x[0] / step_u
        x += np.maximum(u - self.u[-1], 0.0) * step_x[1] / step_u
        around = np.linspace(0.0, TURN_RAD, len(self.y))
        return np.column_stack([x, np.interp(wrapped(v), around, self.y)])

    def three_turns(self, places: Floats) -> Floats:
        """Places in the plane (n, 2), one turn back, as they are, and one turn on, (3 n, 2)."""
        return np.concatenate([places + [0.0, k * self.turn_mm] for k in (-1.0, 0.0, 1.0)])

    def lengths(self, starts: Floats, stops: Floats) -> Floats:
        """True lengths of lines that are straight in the plane, (n,), between (n, 2) ends.

        They exceed the shortest way on the surface by the square of what plane and surface differ by.
        """
        way = stops - starts
        squared = np.stack([way[:, 0] ** 2, 2.0 * way[:, 0] * way[:, 1], way[:, 1] ** 2])
        total = np.zeros(len(way))
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            form = (self._metric_at(starts + node * way) * squared).sum(axis=0)
            total += weight * np.sqrt(np.maximum(form, 0.0))
        return total

    def _metric_at(self, places: Floats) -> Floats:
        """E, F, G at places in the plane, (3, n)."""
        row = np.interp(places[:, 0], self.x, np.arange(len(self.x)))
        column = np.interp(np.mod(places[:, 1], self.turn_mm), self.y, np.arange(len(self.y)))
        at = np.stack([row, column])
        closed = np.concatenate([self.metric, self.metric[:, :, :1]], axis=2)
        return np.stack([map_coordinates(part, at, order=1, mode="nearest") for part in closed])


def chart_of(surface: TubeSurface, coats: Over, stations: tuple[float, float]) -> Chart:
    """Unroll the surface that lies ``coats`` below another, between two of its parameters u."""
    n_u = max(8, int(np.ceil((stations[1] - stations[0]) / _STEP_MM)) + 1)
    u = np.linspace(*stations, n_u)
    v = np.arange(_AROUND) * (TURN_RAD / _AROUND)
    uu, vv = np.meshgrid(u, v, indexing="ij")
    points = surface.evaluate(uu, vv) - coats(uu, vv)[..., None] * surface.normals(uu, vv)
    along = np.gradient(points, u[1] - u[0], axis=0, edge_order=2)
    around = (np.roll(points, -1, axis=1) - np.roll(points, 1, axis=1)) / (2.0 * TURN_RAD / _AROUND)
    e, f, g = (along**2).sum(-1), (along * around).sum(-1), (around**2).sum(-1)
    slope_x, slope_y = np.sqrt(e).mean(axis=1), np.sqrt(g).mean(axis=0)
    steps_x = 0.5 * (slope_x[1:] + slope_x[:-1]) * (u[1] - u[0])
    steps_y = 0.5 * (slope_y + np.roll(slope_y, -1)) * (TURN_RAD / _AROUND)
    x = np.concatenate([[0.0], np.cumsum(steps_x)])
    y = np.concatenate([[0.0], np.cumsum(steps_y)])
    # Derivatives by x and y; the plane is piecewise linear in u and v, which is why slopes are of its steps.
    by_x, by_y = slope_x[:, None], slope_y[None, :]
    return Chart(u, x, y, np.stack([e / by_x**2, f / (by_x * by_y), g / by_y**2]))
