"""Depth of the target below the rebuilt outer surface: layers, and what becomes of them beyond the rim."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import trapezoid

from gaploft.evidence.trusted_fit import TubeFit
from gaploft.job import COATS, Layers, Thickness
from gaploft.scan.model import Note
from gaploft.surface.basis import TURN_RAD
from gaploft.target.beyond import AT_RIM_MM, from_rim_of, share_outside
from gaploft.target.places import Places
from gaploft.target.readings import Over, thickness_over
from gaploft.target.steps import target_bounds
from gaploft.target.trim import Trimmed, fitting

Floats = NDArray[np.float64]

_FINE_U, _FINE_V = 80, 720


@dataclass(frozen=True)
class LayerRow:
    """One layer as the report lists it: its thickness over the target, and where the figure is from."""

    name: str
    least_mm: float
    most_mm: float
    source: str


@dataclass(frozen=True)
class LayersSummary:
    """What was taken off, for the report.

    ``depth_least_mm`` and ``depth_most_mm`` are the target's depth below the outer surface over the rebuilt
    zone; ``trimmed_mm2`` is the area of outer surface below which layers had to be made thinner.
    """

    rows: list[LayerRow]
    outside: str
    depth_least_mm: float
    depth_most_mm: float
    trimmed_mm2: float


@dataclass(frozen=True)
class LayerMap:
    """Depth of the target, layer by layer. All functions take (u, v) of any one shape and give mm.

    Attributes
    ----------
    coats : paint and filler, which lie on the laminate already
    to_come : cover and other plies, which are still to be laid
    within : depth of the target inside the rim, carried on beyond it
    depth : depth of the target everywhere; "step" jumps to 0 at the rim
    from_rim : distance from the rim, negative inside
    outside : "same", "blend" or "step"
    all_round : the damage goes all the way round, so that rims are rings; else it is a patch
    even : ``within`` is the same all over
    shortened : bool at (u, v), layers were made thinner there
    """

    coats: Over
    to_come: Over
    within: Over
    depth: Over
    from_rim: Over
    outside: str
    all_round: bool
    even: bool
    shortened: Callable[[Floats, Floats], NDArray[np.bool_]]
    summary: LayersSummary
    notes: tuple[Note, ...] = ()


def layers_over(fit: TubeFit, layers: Layers, places: Places, *, overlap_mm: float) -> LayerMap:
    """Lay the layers over a fitted tube.

    Parameters
    ----------
    fit : the rebuilt surface, its rims and its damage
    layers : thickness of each, what becomes of their sum beyond the rim, and where the surface is too tight
    places : stations and angles of the same surface
    overlap_mm : how far the target runs on beyond the rim

    Raises
    ------
    InputError
        A reading lies outside the tube, or layers are to run out over no overlap.
    EvidenceError
        The surface bends too tightly, or the tube is too thin, for the layers, and they are not to be
        trimmed.
    """
    bounds = target_bounds(fit.surface, fit.rebuilt_mm, overlap_mm)
    stations = (bounds[0], bounds[-1])
    each = {name: thickness_over(given, places, of=name) for name, given in layers.table.items()}
    coats = _sum_of([each[name] for name in COATS])
    to_come = _sum_of([each[name] for name in each if name not in COATS])
    total = _sum_of([coats, to_come])
    even = not any(isinstance(given, tuple) for given in layers.table.values())
    from_rim = from_rim_of(fit)
    share = share_outside(fit, layers.outside, from_rim, stations)
    wanted = total if share is None else _product(total, share)
    held = fitting(fit.surface, wanted, places, stations, trim=layers.tight == "trim")
    return LayerMap(
        coats,
        to_come,
        held.within(total),
        held.depth,
        from_rim,
        layers.outside,
        fit.outline.patch is None,
        even and held.cap is None,
        held.shortened,
        _summary(fit, layers, each, held, from_rim, stations),
        held.notes,
    )


def _sum_of(parts: list[Over]) -> Over:
    def total(u: Floats, v: Floats) -> Floats:
        return np.asarray(sum(part(u, v) for part in parts))

    return total


def _product(one: Over, other: Over) -> Over:
    return lambda u, v: np.asarray(one(u, v) * other(u, v))


def _summary(
    fit: TubeFit,
    layers: Layers,
    each: dict[str, Over],
    held: Trimmed,
    from_rim: Over,
    stations: tuple[float, float],
) -> LayersSummary:
    u, v = np.meshgrid(
        np.linspace(*stations, _FINE_U), np.arange(_FINE_V) * (TURN_RAD / _FINE_V), indexing="ij"
    )
    rows = []
    for name, given in layers.table.items():
        over = each[name](u, v)
        rows.append(LayerRow(name, float(over.min()), float(over.max()), _source(given)))
    inside = held.depth(u, v)[from_rim(u, v) < -AT_RIM_MM]
    du, dv = fit.surface.derivatives(u, v, 1, 0), fit.surface.derivatives(u, v, 0, 1)
    area = np.linalg.norm(np.cross(du, dv), axis=-1) * held.shortened(u, v)
    across = trapezoid(area.sum(axis=1), u[:, 0]) * (TURN_RAD / _FINE_V)
    return LayersSummary(rows, layers.outside, float(inside.min()), float(inside.max()), float(across))


def _source(given: Thickness) -> str:
    if not isinstance(given, tuple):
        return "typed"
    return f"{len(given)} reading{'s' if len(given) > 1 else ''}"
