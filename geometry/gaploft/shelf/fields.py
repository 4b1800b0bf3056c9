"""A tube as the numbers and arrays of its file, and back."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from gaploft.shelf.form import Array, NotATube
from gaploft.surface.arc import Arc
from gaploft.surface.basis import DEGREE, TubeBasis, clamped_knots, periodic_knots
from gaploft.surface.shape import Shape
from gaploft.surface.sweep import N_MOVES, Sweep

_X, _Y = np.eye(3)[:2]


def in_own_frame(shape: Shape) -> Shape:
    """The same tube with its arc beginning at the origin, at station 0 of the tube, along x towards y."""
    arc, basis = shape.sweep.arc, shape.sweep.basis
    first, last = basis.range_u
    spans = basis.n_u - DEGREE
    off = np.abs(basis.knots_u - clamped_knots(first, last, spans)).max()
    if off > 1e-9 * (last - first):
        raise ValueError("the knots along the tube are not even")
    own = TubeBasis(clamped_knots(0.0, last - first, spans), periodic_knots(basis.n_v))
    placed = Arc(np.zeros(3), _X, _Y, arc.curvature, 0.0)
    return replace(shape, sweep=replace(shape.sweep, arc=placed, basis=own), known_at=shape.known_at - first)


def numbers_of(shape: Shape) -> dict[str, Any]:
    """Single numbers of a tube in its own frame."""
    basis = shape.sweep.basis
    return {
        "curvature_per_mm": float(shape.sweep.arc.curvature),
        "radius_mm": float(shape.sweep.radius_mm),
        "degree": DEGREE,
        "stations": {"start": 0.0, "stop": basis.range_u[1], "spans": basis.n_u - DEGREE},
        "spans_around": basis.n_v,
    }


def arrays_of(shape: Shape) -> dict[str, Array]:
    """Arrays of a tube."""
    return {
        "section": shape.sweep.section,
        "moves": shape.sweep.moved_mm,
        "solution": shape.solution,
        "known_at": shape.known_at,
        "spread": shape.spread_mm,
    }


def shape_from(fields: Mapping[str, Any], arrays: Mapping[str, Array]) -> Shape:
    """The tube that numbers and arrays say; NotATube where they say none."""
    try:
        stations = fields["stations"]
        start, stop, spans = float(stations["start"]), float(stations["stop"]), int(stations["spans"])
        around, degree = int(fields["spans_around"]), fields["degree"]
        radius, curvature = float(fields["radius_mm"]), float(fields["curvature_per_mm"])
    except (KeyError, TypeError, ValueError, OverflowError):
        raise NotATube("lacks a number that describes the tube") from None
    finite = np.isfinite([start, stop, radius, curvature]).all()
    if not finite or degree != DEGREE or start != 0.0 or min(stop, radius, spans, around) <= 0:
        raise NotATube("holds a number that no tube has")
    _check_arrays(arrays, spans + DEGREE, around)
    sweep = Sweep(
        Arc(np.zeros(3), _X, _Y, curvature, 0.0),
        TubeBasis(clamped_knots(0.0, stop, spans), periodic_knots(around)),
        np.asarray(arrays["section"], dtype=np.float64),
        np.asarray(arrays["moves"], dtype=np.float64),
        radius,
    )
    solution, known, spread = (np.asarray(arrays[n], np.float64) for n in ("solution", "known_at", "spread"))
    return Shape(sweep, solution, known, spread)


def _check_arrays(arrays: Mapping[str, Array], n_u: int, around: int) -> None:
    section, known, spread = arrays["section"], arrays["known_at"], arrays["spread"]
    if not (
        arrays["moves"].shape == (n_u, N_MOVES)
        and arrays["solution"].shape == (n_u, N_MOVES + around)
        and section.ndim == spread.ndim == 2
        and section.shape[1] == 2
        and min(len(section), around) > DEGREE
        and known.shape == (len(spread),)
        and min(spread.shape[0] - 1, spread.shape[1]) >= 1
    ):
        raise NotATube("holds arrays whose shapes do not go together")
    if (np.diff(known) <= 0.0).any() or (spread < 0.0).any():
        raise NotATube("holds stations out of order, or an uncertainty below 0")
