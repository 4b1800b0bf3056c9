"""Thousands of different whole tubes for a shelf, made without a CAD kernel, some milliseconds each.

``tube(7)`` is always the same tube: its kind goes round the families, its measures and its length are
drawn from their ranges, and it lies anywhere.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline, make_interp_spline
from scipy.spatial.transform import Rotation

from gaploft.donor.rings import rings_of
from gaploft.shelf.found import Query
from gaploft.surface.arc import Arc, arc_through
from gaploft.surface.basis import DEGREE, TURN_RAD, TubeBasis
from gaploft.surface.fit import tube_basis
from gaploft.surface.shape import Shape
from gaploft.surface.sweep import N_MOVES, Sweep, periodic_design
from tube_families import FAMILIES
from tube_shapes import Kind

Floats = NDArray[np.float64]

KINDS = tuple(FAMILIES)
LENGTHS_MM = (250.0, 500.0)
#: Sections of a kind are taken so far apart, and the same spline runs through them whatever the tube.
_SECTION_MM, _AROUND, _N_SECTION = 12.0, 96, 48


def kind_and_length(number: int) -> tuple[str, Kind, float]:
    """What the tube of a number is: name of its kind, the kind with drawn measures, length in mm."""
    rng = np.random.default_rng([11, number])
    name = KINDS[number % len(KINDS)]
    return name, FAMILIES[name].build(**FAMILIES[name].drawn(rng)), float(rng.uniform(*LENGTHS_MM))


def tube(number: int) -> Shape:
    """The tube of a number, in some place and pose."""
    _, kind, length = kind_and_length(number)
    return anywhere(shape_of(kind, length), np.random.default_rng([12, number]))


def shape_of(kind: Kind, length_mm: float) -> Shape:
    """A kind's tube as a shape, from sections laid along its way; near enough to the kind itself."""
    along, rings = _rings(kind, length_mm)
    centres = rings.mean(axis=1)
    arc = arc_through(along, centres)
    flat = arc.straightened(rings.reshape(-1, 3)).reshape(rings.shape)
    at = flat[:, :, 0].mean(axis=1)
    across = flat[:, :, 1:]
    radius = float(np.linalg.norm(across - across.mean(axis=1, keepdims=True), axis=2).mean())
    basis = tube_basis(float(at[0]), float(at[-1]), radius, _N_SECTION)
    v = np.arange(_AROUND) * (TURN_RAD / _AROUND)
    around = periodic_design(TubeBasis(np.zeros(0), _knots(_N_SECTION)), v)
    mean = (across - across.mean(axis=1, keepdims=True)).mean(axis=0)
    section = np.linalg.lstsq(around, mean, rcond=None)[0]
    shares = np.column_stack([np.ones(_AROUND), mean / radius])
    moves = np.linalg.lstsq(shares, (across - mean).transpose(1, 0, 2).reshape(_AROUND, -1), rcond=None)[0]
    moves = moves.reshape(3, len(at), 2).transpose(1, 0, 2).reshape(len(at), N_MOVES)
    to_basis = _refit(at, basis)
    moved = to_basis(moves)
    sweep = Sweep(arc, basis, section, moved, radius)
    rest = _heights(sweep, arc, at, v, rings)
    heights = to_basis(rest) @ np.linalg.pinv(periodic_design(basis, v)).T
    known = np.linspace(float(at[0]), float(at[-1]), 12)
    # Somewhat less well known towards the ends and on one side, as scans are.
    spread = (
        0.004
        + 0.002 * np.linspace(-1.0, 1.0, 12)[:, None] ** 2
        + 0.001 * np.cos(TURN_RAD * np.arange(16) / 16)
    )
    return Shape(sweep, np.hstack([moved, heights]), known, spread)


def scanned(shape: Shape, rms_mm: float, rng: np.random.Generator) -> Shape:
    """The same tube as a fit to a scan would have it: its heights are off by so much, span by span."""
    off = rng.normal(size=(len(shape.solution), shape.solution.shape[1] - N_MOVES))
    # What the B-splines of one place add up to, root mean square over a span (from their integrals).
    share = _mean_square() / rms_mm**2
    solution = shape.solution.copy()
    solution[:, N_MOVES:] += off / np.sqrt(share)
    return replace(shape, solution=solution)


def anywhere(shape: Shape, rng: np.random.Generator) -> Shape:
    """The same tube in some place and pose."""
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.random(random_state=rng).as_matrix()
    matrix[:3, 3] = rng.uniform(-400.0, 400.0, 3)
    return shape.moved(matrix)


def _mean_square() -> float:
    """Mean square of a spline in two directions whose coefficients are independent, each of variance 1."""
    knots = np.arange(-DEGREE, 2 * DEGREE + 1, dtype=float)
    x = np.linspace(0.0, 1.0, 101)
    values = BSpline(knots, np.eye(len(knots) - DEGREE - 1), DEGREE)(x)
    return float((values**2).sum(axis=1).mean() ** 2)


def _knots(n: int) -> Floats:
    return np.arange(-DEGREE, n + DEGREE + 1) * (TURN_RAD / n)


def _rings(kind: Kind, length_mm: float) -> tuple[Floats, Floats]:
    """Stations (k,) and outlines (k, m, 3) along the way, which lies in the xz plane."""
    fine = np.linspace(0.0, length_mm, 2001)
    heading = kind.heading_rad(fine, length_mm)
    step = np.diff(fine, prepend=0.0)
    line = np.stack([np.cumsum(np.sin(heading) * step), np.zeros(2001), np.cumsum(np.cos(heading) * step)], 1)
    at = np.round(np.linspace(0, 2000, round(length_mm / _SECTION_MM) + 1)).astype(int)
    outlines = []
    for i in at:
        flat = kind.section(fine[i] / length_mm)
        places = np.linspace(0.0, len(flat), _AROUND, endpoint=False)
        closed = np.concatenate([flat, flat[:1]])
        flat = np.stack([np.interp(places, np.arange(len(closed)), c) for c in closed.T], axis=1)
        cosine, sine = np.cos(heading[i]), np.sin(heading[i])
        outlines.append(line[i] + np.stack([flat[:, 0] * cosine, flat[:, 1], -flat[:, 0] * sine], axis=1))
    return fine[at], np.array(outlines)


def _refit(at: Floats, basis: TubeBasis):
    """From values at stations to coefficients along the tube."""
    u = np.linspace(*basis.range_u, 2 * basis.n_u)
    inverse = np.linalg.pinv(BSpline.design_matrix(u, basis.knots_u, DEGREE).toarray())
    return lambda values: inverse @ make_interp_spline(at, values, 3)(u)


def _heights(sweep: Sweep, arc: Arc, at: Floats, v: Floats, rings: Floats) -> Floats:
    """How far outlines (k, m, 3) lie above a sweep along its normals, (k, m)."""
    points = rings.reshape(-1, 3)
    u = np.clip(arc.straightened(points)[:, 0], *sweep.basis.range_u)
    feet = sweep.feet(points, u, np.tile(v, len(at)), steps=0)
    return feet.height_mm.reshape(len(at), len(v))


def query_of(shape: Shape, gap_mm: tuple[float, float], flanks_mm: tuple[float, float]) -> Query:
    """A search for a tube of which nothing is known in a gap and beyond both flanks; without noise."""
    ends = max(shape.range_u[0], gap_mm[0] - flanks_mm[0]), min(shape.range_u[1], gap_mm[1] + flanks_mm[1])
    return Query(rings_of(shape.surface, ends, gap_mm=gap_mm), gap_mm, shape.sweep.radius_mm)
