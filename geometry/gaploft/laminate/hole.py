"""The hole that the damage is cut back to, and how far places of the tube are from its edge."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.spatial import cKDTree

from gaploft.laminate.chart import Chart
from gaploft.surface.basis import TURN_RAD, wrapped
from gaploft.tube.outline import Outline

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Neighbouring pieces of the outline that a place's nearest one is chosen from.
_NEAR = 6
#: The outline of damaged points is drawn this much wider and taken back: mm, or spacings of the points.
_ROUNDED_MM, _ROUNDED_SHARE = 2.0, 2.0
#: Grid of the outline, mm and as a share of the spacing of damaged points.
_GRID_MM, _GRID_SHARE = 0.5, 0.5
_ROWS_MOST = 1200


@dataclass(frozen=True)
class Field:
    """A function that is linear in triangles: values (n_u, n_v) on even ``u`` and around a turn."""

    u: Floats
    values: Floats

    def at(self, u: Floats, v: Floats) -> Floats:
        """Values at places (n,); beyond the ends those of the ends."""
        n_u, n_v = self.values.shape
        row = np.clip((u - self.u[0]) / (self.u[1] - self.u[0]), 0.0, n_u - 1)
        column = wrapped(v) * (n_v / TURN_RAD)
        i, j = np.minimum(row.astype(int), n_u - 2), np.minimum(column.astype(int), n_v - 1)
        a, b, k = row - i, column - j, (j + 1) % n_v
        low, high = self.values[i, j], self.values[i + 1, k]
        first = np.where(a >= b, self.values[i + 1, j], self.values[i, k])
        most, least = np.maximum(a, b), np.minimum(a, b)
        return np.asarray(low + (first - low) * most + (high - first) * least)

    def contour(self) -> tuple[Floats, Floats]:
        """Ends of the pieces of the line where it is 0, parameters (m, 2) each; v may pass a turn."""
        n_u, n_v = self.values.shape
        i, j = (part.ravel() for part in np.meshgrid(np.arange(n_u - 1), np.arange(n_v), indexing="ij"))
        ahead = [(i, j), (i + 1, j), (i + 1, j + 1)], [(i, j), (i + 1, j + 1), (i, j + 1)]
        rows, columns = (
            np.concatenate([np.column_stack([corner[part] for corner in half]) for half in ahead])
            for part in (0, 1)
        )
        height = self.values[rows, columns % n_v]
        above = height > 0.0
        cut = above.any(axis=1) & ~above.all(axis=1)
        rows, columns, height, above = rows[cut], columns[cut], height[cut], above[cut]
        # The corner that is alone on its side, and the two edges that leave it.
        alone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), (~above).argmax(axis=1))
        pick = np.arange(len(alone))
        tip = np.column_stack([rows[pick, alone], columns[pick, alone]])
        ends = []
        for turn in (1, 2):
            other = (alone + turn) % 3
            share = height[pick, alone] / (height[pick, alone] - height[pick, other])
            way = np.column_stack([rows[pick, other], columns[pick, other]]) - tip
            place = tip + share[:, None] * way
            ends.append(
                np.column_stack(
                    [self.u[0] + place[:, 0] * (self.u[1] - self.u[0]), place[:, 1] * (TURN_RAD / n_v)]
                )
            )
        return ends[0], ends[1]


@dataclass(frozen=True)
class Hole:
    """The hole's edge on the surface of the bare laminate.

    Attributes
    ----------
    chart : that surface unrolled
    starts, ways : (m, 2) pieces of a line around the damage in the plane of the chart, three turns of it
    line_mm : how far the hole's edge lies outside that line
    field : below zero inside that line; None where the tube is broken through
    gap_mm : parameters u between which the damage lies
    spacing_mm : of the damaged points, 0 where the tube is broken through
    """

    chart: Chart
    starts: Floats
    ways: Floats
    line_mm: float
    field: Field | None
    gap_mm: tuple[float, float]
    spacing_mm: float

    def beyond(self, u: Floats, v: Floats) -> Floats:
        """Distance in mm from the hole's edge along the laminate's surface, negative inside the hole."""
        u, v = np.broadcast_arrays(np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64))
        flat_u, flat_v = u.ravel(), v.ravel()
        places = self.chart.unrolled(flat_u, flat_v)
        away = self.chart.lengths(self._feet(places), places)
        if self.field is None:
            inside = (flat_u > self.gap_mm[0]) & (flat_u < self.gap_mm[1])
        else:
            inside = self.field.at(flat_u, flat_v) < 0.0
        return np.where(inside, -away, away).reshape(u.shape) - self.line_mm

    def _feet(self, places: Floats) -> Floats:
        """Nearest points of the line in the plane, (n, 2)."""
        tree = cKDTree(self.starts + 0.5 * self.ways)
        _, near = tree.query(places, k=min(_NEAR, len(self.starts)))
        near = near.reshape(len(places), -1)
        start, way = self.starts[near], self.ways[near]
        share = ((places[:, None] - start) * way).sum(-1) / np.maximum((way**2).sum(-1), 1e-30)
        feet = start + np.clip(share, 0.0, 1.0)[..., None] * way
        best = ((feet - places[:, None]) ** 2).sum(-1).argmin(axis=1)
        return np.asarray(feet[np.arange(len(places)), best])


def hole_of(outline: Outline, chart: Chart, *, cut_back_mm: float) -> Hole:
    """The damage cut back by some mm all around.

    Where the tube is broken through, the damage ends at its two stations. A patch of damaged points has its
    outline one spacing of them (95 in 100 lie closer to a neighbour) outside the outermost, at the first row
    of points that were left intact. It is drawn 2 mm or two spacings further out and taken back, so that it
    runs smoothly past single points and no inner corner is sharper than that; whatever the points enclose is
    part of the hole.
    """
    if outline.patch is None:
        return _hole(chart, _rings(outline.gap_mm), cut_back_mm, None, outline.gap_mm, 0.0)
    field, spacing, rounded = _around_patch(outline, chart)
    return _hole(chart, field.contour(), cut_back_mm - rounded, field, outline.gap_mm, spacing)


def _hole(
    chart: Chart,
    pieces: tuple[Floats, Floats],
    line_mm: float,
    field: Field | None,
    gap_mm: tuple[float, float],
    spacing_mm: float,
) -> Hole:
    starts, stops = (chart.unrolled(ends[:, 0], ends[:, 1]) for ends in pieces)
    ways, turn = stops - starts, chart.turn_mm
    ways[:, 1] = np.mod(ways[:, 1] + turn / 2.0, turn) - turn / 2.0
    return Hole(chart, chart.three_turns(starts), np.tile(ways, (3, 1)), line_mm, field, gap_mm, spacing_mm)


def _rings(gap_mm: tuple[float, float]) -> tuple[Floats, Floats]:
    """Pieces of two rings around the tube."""
    v = np.arange(180) * (TURN_RAD / 180)
    starts = np.concatenate([np.column_stack([np.full(180, u), v]) for u in gap_mm])
    return starts, starts + [0.0, TURN_RAD / 180]


def _around_patch(outline: Outline, chart: Chart) -> tuple[Field, float, float]:
    """A field that is 0 on a line around the damaged points, their spacing, and how far outside the outline
    that line lies."""
    assert outline.patch is not None
    data, turn = np.asarray(outline.patch.data), TURN_RAD * outline.radius_mm
    once = data[(data[:, 1] >= 0.0) & (data[:, 1] < turn)]
    damaged = chart.unrolled(once[:, 0], once[:, 1] / outline.radius_mm)
    tree = cKDTree(chart.three_turns(damaged))
    spacing = float(np.quantile(tree.query(damaged, k=2)[0][:, 1], 0.95))
    rounded = max(_ROUNDED_MM, _ROUNDED_SHARE * spacing)
    step = max(min(_GRID_MM, _GRID_SHARE * spacing), 1e-3)
    margin = 2.0 * (spacing + rounded)
    first, last = float(once[:, 0].min()) - margin, float(once[:, 0].max()) + margin
    n_u, n_v = (min(_ROWS_MOST, int(np.ceil(length / step)) + 2) for length in (last - first, turn))
    u = np.linspace(first, last, n_u)
    places = chart.unrolled(np.repeat(u, n_v), np.tile(np.arange(n_v) * (TURN_RAD / n_v), n_u))
    distance = tree.query(places)[0].reshape(n_u, n_v)
    return Field(u, _filled(distance - spacing - rounded)), spacing, rounded


def _filled(values: Floats) -> Floats:
    """The same with what is enclosed brought below 0."""
    outside, n = label(values > 0.0)
    # Around the tube the first column continues the last one.
    same = [(a, b) for a, b in zip(outside[:, 0], outside[:, -1], strict=True) if a and b]
    parent = np.arange(n + 1)
    for a, b in same:
        one, other = parent[a], parent[b]
        parent[parent == max(one, other)] = min(one, other)
    open_ends = np.unique(parent[np.concatenate([outside[0], outside[-1]])])
    enclosed = (outside > 0) & ~np.isin(parent[outside], open_ends[open_ends > 0])
    return np.where(enclosed, -values, values)
