"""How long a taper gets, and whether the trusted scan and the target reach as far."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError, InputError
from gaploft.evidence.trusted_fit import TubeFit
from gaploft.job import BedSettings
from gaploft.laminate.hole import Hole
from gaploft.laminate.model import Wall
from gaploft.laminate.plies import cured_thickness_mm
from gaploft.scan.model import Note
from gaploft.target.field import grid_over
from gaploft.target.readings import Over

Floats = NDArray[np.float64]

_COARSE = (60, 72)
#: Room beyond the longest taper, mm: more than a spacing of damaged points.
_ROOM_MM = 5.0
_ROUNDING_MM = 1e-6


@dataclass(frozen=True)
class Taper:
    """From the hole's edge to the bed's.

    Attributes
    ----------
    length : of the taper as a function of (u, v), mm along the surface of the bare laminate
    wall : thickness of the laminate
    depths_mm : of the terraces below the bare laminate, from the hole outward; None for a ratio
    """

    settings: BedSettings
    length: Over
    wall: Over
    depths_mm: Floats | None


def taper_of(settings: BedSettings, wall: Wall) -> Taper:
    """The taper that was asked for.

    Raises
    ------
    InputError
        Steps are asked for with a single ply: it would have nothing to lie on.
    ValueError
        Neither a ratio nor a step, or both.
    """
    ratio, step = settings.ratio, settings.step_mm
    if ratio is not None and step is None:
        return Taper(settings, lambda u, v: np.asarray(ratio * wall.over(u, v)), wall.over, None)
    if step is None or ratio is not None:
        raise ValueError("a bed has either a ratio or a step")
    each = [cured_thickness_mm(ply) for ply in settings.plies for _ in range(ply.count)]
    if len(each) < 2:
        raise InputError(
            f"a bed in steps is asked for and {len(each)} ply is to be laid, which laps over nothing: add "
            "plies, or give a ratio instead of step"
        )
    depths = np.cumsum(each[:0:-1])[::-1]
    length = step * len(depths)
    return Taper(
        settings,
        lambda u, v: np.full(np.broadcast_shapes(np.shape(u), np.shape(v)), length),
        wall.over,
        depths,
    )


def stretch_of(fit: TubeFit, taper: Taper) -> tuple[float, float]:
    """Parameters u that the bed may reach, as far as the scan is trusted."""
    surface, (start, stop) = fit.surface, fit.outline.gap_mm
    first = max(fit.rebuilt_mm[0] - fit.flanks_mm[0], surface.range_u[0])
    last = min(fit.rebuilt_mm[1] + fit.flanks_mm[1], surface.range_u[1])
    u, v = grid_over((first, last), _COARSE)
    slowest = float(np.linalg.norm(surface.derivatives(u, v, 1, 0), axis=-1).min())
    longest = taper.settings.cut_back_mm + float(taper.length(u, v).max())
    reach = longest / slowest + _ROOM_MM
    return max(first, start - reach), min(last, stop + reach)


def check_room(taper: Taper, hole: Hole, stations: tuple[float, float]) -> None:
    """Refuse a bed that reaches beyond what can be trusted of the scan.

    Raises EvidenceError.
    """
    v: Floats = np.linspace(0.0, 2.0 * np.pi, 721)
    cut_back = taper.settings.cut_back_mm
    for side, u in zip(("from", "to"), stations, strict=True):
        there = hole.beyond(np.array(u), v)
        short = taper.length(np.array(u), v) - there
        worst = int(short.argmax())
        if short[worst] <= _ROUNDING_MM:
            continue
        needed, found = there[worst] + short[worst] + cut_back, max(0.0, there[worst] + cut_back)
        raise EvidenceError(
            f"the bed needs {needed:.1f} mm of intact tube beyond the '{side}' end of the damage, and the "
            f"scan can be trusted for {found:.1f} mm there: {_help(taper, there[worst], needed - cut_back)}"
        )


def _help(taper: Taper, room: float, needed: float) -> str:
    """What would make the bed fit into the room beside the hole."""
    more = "scan more of the tube"
    if taper.settings.ratio is None:
        return f"give shorter steps, or {more}"
    fitting = math.floor(taper.settings.ratio * room / needed + _ROUNDING_MM)
    if fitting < 1:
        return f"cut back less, or {more}"
    return f"give a ratio of at most {fitting}, or {more}"


def check_depths(taper: Taper, stations: tuple[float, float]) -> None:
    """Refuse plies that are thicker than the wall they are to fill.

    Raises InputError.
    """
    if taper.depths_mm is None:
        return
    thinnest, deepest = float(taper.wall(*grid_over(stations, _COARSE)).min()), float(taper.depths_mm[0])
    if deepest >= thinnest:
        raise InputError(
            f"without the innermost, the plies are {deepest:.2f} mm thick together, but the wall is "
            f"{thinnest:.2f} mm: lay fewer or thinner plies, or measure the wall"
        )


def beyond_target(
    fit: TubeFit, settings: BedSettings, wall: Wall, ends: tuple[float, float]
) -> tuple[Note, ...]:
    """A note where the lay-up reaches beyond the target.

    Parameters
    ----------
    ends : first and last parameter u of the bed's edge
    """
    reached = ends[0] - settings.lap_mm, ends[1] + settings.lap_mm
    if wall.stations_mm[0] <= reached[0] and reached[1] <= wall.stations_mm[1]:
        return ()
    needed = max(fit.rebuilt_mm[0] - reached[0], reached[1] - fit.rebuilt_mm[1])
    found = min(fit.rebuilt_mm[0] - wall.stations_mm[0], wall.stations_mm[1] - fit.rebuilt_mm[1])
    what, enough = "bed" if settings.lap_mm == 0.0 else "lay-up", math.ceil(needed - _ROUNDING_MM)
    return (
        Note(
            "bed_beyond_target",
            f"the target's overlap of {found:.1f} mm ends before the {what} does, at {needed:.1f} mm: set "
            f"overlap to {enough} to have all of the {what} machined back afterwards",
        ),
    )
