"""The fillet between two sheets: circles along their edge, and points measured against them."""

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from gaploft.patch.sheet import NOWHERE_MM, Edge, Feet, Sheet, both_ways

Floats = NDArray[np.float64]
Kind = Literal["ball", "disc"]

#: Newton steps for the centres of balls, for those of discs, and for places along the line of centres.
_STEPS, _DISC_STEPS, _ALONG_STEPS = 16, 10, 5
#: The bend of a section is taken for this over the radius at first and at most for that; it is measured where
#: a contact slides by more than this share of the radius.
_FIRST_BEND, _LARGEST_BEND, _SLID_SHARE = 0.5, 8.0, 1e-3
#: Three planes that meet at a smaller determinant than this don't meet in a place; the bend of a line of
#: anchors is believed down to this.
_LEAST_DETERMINANT, _LEAST_BEND = 1e-3, 0.3
#: In an acute hollow the fillet is so many radii away from the other sheet, at most.
_REACH = 2.1


@dataclass(frozen=True)
class Rolled:
    """Points against the fillet of one pair of sheets.

    Attributes
    ----------
    inside : (n,) bool, the fillet's own share of space: nearest to the arc between both contacts
    distance, normal : signed distance from the fillet, positive outside, and its outward normal
    shares : (n, 2) how much the point of the fillet moves with either sheet
    growth : (n,) how much it moves outward when the radius grows
    """

    inside: NDArray[np.bool_]
    distance: Floats
    normal: Floats
    shares: Floats
    growth: Floats


@dataclass(frozen=True)
class Track:
    """Circles along an edge, each in its plane, touching both sheets.

    Attributes
    ----------
    anchor : (n, 3) places whose line the planes are square to
    centre : (n, 3) centres of the circles
    ways : two of (n, 3), unit vectors from where a circle touches either sheet to its centre
    radius : (n,) mm
    closed : whether the last circle is followed by the first
    """

    anchor: Floats
    centre: Floats
    ways: tuple[Floats, Floats]
    radius: Floats
    closed: bool

    @cached_property
    def _at(self) -> Floats:
        line = np.concatenate([self.anchor, self.anchor[:1]]) if self.closed else self.anchor
        return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(self.anchor)

    @cached_property
    def _splines(self) -> tuple[CubicSpline, CubicSpline]:
        """Anchors, and beside them centres, ways and radii, by length along the anchors."""
        rest = np.column_stack([self.centre, *self.ways, self.radius])
        anchor = self.anchor
        if self.closed:
            rest, anchor = np.concatenate([rest, rest[:1]]), np.concatenate([anchor, anchor[:1]])
        kind = "periodic" if self.closed else "not-a-knot"
        return CubicSpline(self._at, anchor, bc_type=kind), CubicSpline(self._at, rest, bc_type=kind)

    def against(self, points: Floats) -> Rolled:
        """Points (n, 3) against the circles of their own planes."""
        anchor, rest = self._splines
        at = self._at[self._tree.query(points)[1]]
        whole = self._at[-1]
        for _ in range(_ALONG_STEPS):
            off = points - anchor(at)
            first, second = anchor(at, 1), anchor(at, 2)
            slope = _dot(first, first)
            bend = np.maximum(slope - _dot(off, second), _LEAST_BEND * slope)
            at = at + np.clip(_dot(off, first) / bend, -1.0, 1.0)
            at = np.mod(at, whole) if self.closed else np.clip(at, 0.0, whole)
        values, rates = rest(at), rest(at, 1)
        centre, radius = values[:, :3], values[:, 9]
        one, two = _unit(values[:, 3:6]), _unit(values[:, 6:9])
        towards = centre - points
        length = np.linalg.norm(towards, axis=1)
        way = towards / np.maximum(length, 1e-9)[:, None]
        cosine, p, q = _dot(one, two), _dot(way, one), _dot(way, two)
        sine = np.maximum(1.0 - cosine**2, 1e-9)
        shares = np.column_stack([(p - cosine * q) / sine, (q - cosine * p) / sine])
        inside = (shares > 0.0).all(axis=1) & (length < 2.5 * radius)
        if not self.closed:
            inside &= (at > 0.0) & (at < whole)
        # Circles that widen, or whose centres don't run square to their planes, lean out of these.
        lean = (rates[:, 9] - _dot(way, rates[:, :3])) / bend
        normal = way + lean[:, None] * first
        steep = np.linalg.norm(normal, axis=1)
        distance = np.where(inside, (radius - length) / steep, NOWHERE_MM)
        return Rolled(
            inside, distance, normal / steep[:, None], shares, (shares.sum(axis=1) - 1.0) / steep
        )  # fmt: skip


def make_track(sheets: tuple[Sheet, Sheet], edge: Edge, radius_mm: Floats, kind: Kind) -> Track | None:
    """Circles of given radii (n,) at all places of an edge.

    Parameters
    ----------
    kind : "ball" rolls along both sheets; "disc" is the circle of that radius in the plane square to the edge
        that both sheets make, touching both of their sections

    Returns
    -------
    Track or None
        Along the longest stretch of the edge at which there are such circles; None where that is too short.

    Notes
    -----
    A ball's centre is a radius away from both sheets: Newton's method. For both kinds see J. Vida,
    R. R. Martin and T. Varady, "A survey of blending methods that use parametric surfaces", Computer-Aided
    Design 26(5), 1994 (cited from memory).
    """
    if kind == "ball":
        centre, ways, good = _balls(sheets, edge, radius_mm)
        anchor = centre
    else:
        centre, ways, good = _discs(sheets, edge, radius_mm)
        anchor = edge.points
    good &= np.isfinite(centre).all(axis=1) & (_dot(*ways) < 0.995)
    part = _longest(good, edge.closed)
    if len(part) < 6:
        return None
    whole = edge.closed and len(part) == len(good)
    return Track(anchor[part], centre[part], (ways[0][part], ways[1][part]), radius_mm[part], whole)


def _longest(good: NDArray[np.bool_], closed: bool) -> NDArray[np.int64]:
    """Numbers of the longest run of good places, in order."""
    if good.all():
        return np.arange(len(good))
    n = len(good)
    twice = np.concatenate([good, good]) if closed else good
    edges = np.flatnonzero(np.diff(np.concatenate([[False], twice, [False]]).astype(np.int8)))
    starts, stops = edges[::2], edges[1::2]
    if len(starts) == 0:
        return np.zeros(0, dtype=np.int64)
    best = int((stops - starts).argmax())
    return np.arange(starts[best], stops[best]) % n


def _balls(
    sheets: tuple[Sheet, Sheet], edge: Edge, r: Floats
) -> tuple[Floats, tuple[Floats, Floats], NDArray[np.bool_]]:
    """Centres of balls, the normals of both sheets there, and where the search came to its end."""
    at, (a, b), along = edge.points, edge.feet, edge.along
    centre = at + both_ways(a.normal, b.normal, r, r)
    for _ in range(_STEPS):
        a, b = sheets[0].feet(centre, a), sheets[1].feet(centre, b)
        # In the plane square to the edge: planes square to the line of centres fold in an acute hollow, where
        # the edge lies beyond that line's own centres of curvature.
        rows = np.stack([a.normal, b.normal, along], axis=1)
        asked = np.column_stack([r - a.distance, r - b.distance, _dot(at - centre, along)])
        able = np.abs(np.linalg.det(rows)) > _LEAST_DETERMINANT
        move = np.zeros_like(centre)
        move[able] = np.linalg.solve(rows[able], asked[able][..., None])[..., 0]
        size = np.linalg.norm(move, axis=1)
        centre = centre + move * np.minimum(1.0, 0.5 * r / np.maximum(size, 1e-12))[:, None]
    a, b = sheets[0].feet(centre, a), sheets[1].feet(centre, b)
    good = np.maximum(np.abs(a.distance - r), np.abs(b.distance - r)) < 1e-3 * r
    return centre, (a.normal, b.normal), good


def _discs(
    sheets: tuple[Sheet, Sheet], edge: Edge, r: Floats
) -> tuple[Floats, tuple[Floats, Floats], NDArray[np.bool_]]:
    """The same for circles in the planes square to the edge."""
    along = edge.along
    ways = [_unit(_flat(foot.normal, along)) for foot in edge.feet]
    known: list[Feet] = list(edge.feet)
    centre = edge.points + both_ways(ways[0], ways[1], r, r)
    contact = [edge.points.copy(), edge.points.copy()]
    bend = [_FIRST_BEND / r, _FIRST_BEND / r]
    for _ in range(_DISC_STEPS):
        for k in range(2):
            flat = _flat(known[k].normal, along)
            square = np.maximum(_dot(flat, flat), 1e-6)
            tangent = np.cross(along, ways[k])
            # The section turns under its contact: on a thin tube one that slid all the way would be past it.
            slide = _dot(centre - contact[k], tangent) / (1.0 + r * bend[k])
            contact[k] = contact[k] - (known[k].distance / square)[:, None] * flat + slide[:, None] * tangent
            known[k] = sheets[k].feet(contact[k], known[k])
            way = _unit(_flat(known[k].normal, along))
            slid = np.abs(slide) > _SLID_SHARE * r
            turn = _dot(way, tangent) / np.where(slid, slide, 1.0)
            bend[k] = np.where(slid, np.clip(turn, 0.0, _LARGEST_BEND / r), bend[k])
            ways[k] = way
        short = [r - _dot(centre - contact[k], ways[k]) for k in range(2)]
        centre = centre + both_ways(ways[0], ways[1], *short)
    off = [np.abs(np.linalg.norm(centre - contact[k], axis=1) - r) for k in range(2)]
    return centre, (ways[0], ways[1]), np.maximum(*off) < 2e-3 * r


def near_both(first: Feet, second: Feet, radius_mm: float) -> NDArray[np.bool_]:
    """Points that a fillet of this radius may be near to, by their feet on both sheets."""
    reach = _REACH * radius_mm
    return (np.abs(first.distance) < reach) & (np.abs(second.distance) < reach)


def _dot(a: Floats, b: Floats) -> Floats:
    return np.asarray(np.einsum("ij,ij->i", a, b))


def _flat(vectors: Floats, normal: Floats) -> Floats:
    return vectors - _dot(vectors, normal)[:, None] * normal


def _unit(vectors: Floats) -> Floats:
    return vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-9)
