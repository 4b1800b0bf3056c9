"""The plies of a repair: thickness once cured, how far each one reaches, and its flat pattern."""

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.evidence.trusted_fit import TubeFit
from gaploft.job import BedSettings, Ply, Reading
from gaploft.laminate.model import Bed
from gaploft.laminate.patterns import OpenGrid, Pattern, patterns_of
from gaploft.laminate.ply_reach import middle_of, past_edge, reaches_of, wall_of
from gaploft.scan.model import Note
from gaploft.surface.basis import TURN_RAD
from gaploft.target.field import grid_over
from gaploft.target.offset import Below
from gaploft.target.places import Places
from gaploft.target.readings import Over

Floats = NDArray[np.float64]

#: Edges of the patterns, around a broken tube and around a patch, and room beyond the last ply, mm.
_EDGE_MM, _PATCH_EDGE_MM, _ROOM_MM = 1.0, 0.6, 3.0
#: A small hole gets shorter edges, down to these.
_EDGES_IN_HOLE, _SHORTEST_MM = 6, 0.3
#: The fibre's share in a laminate by hand is known to a tenth at best, and thickness goes with it.
_FILLS_SHARE = 0.1


@dataclass(frozen=True)
class PlyRow:
    """One ply as it is cut and laid, from the inside out.

    Attributes
    ----------
    angle_deg : of the warp against the tube, anticlockwise seen from outside
    thickness_source : "computed" from weight, density and fraction, or "measured"
    length_mm, width_mm : extent of the flat pattern along and around the tube
    area_mm2 : of the surface that it covers, at its own depth
    overlap_mm : least distance that it reaches beyond the ply beneath it, or beyond the hole
    beyond_hole_mm : least distance that it reaches beyond the hole's edge
    stretch_most : largest change of length between the flat pattern and the tube, as a share
    """

    name: str
    number: int
    angle_deg: float
    thickness_mm: float
    thickness_source: str
    areal_weight_g_m2: float | None
    fraction: float | None
    length_mm: float
    width_mm: float
    area_mm2: float
    overlap_mm: float
    beyond_hole_mm: float
    stretch_most: float


@dataclass(frozen=True)
class PublishedOverlap:
    """An overlap that is published for aircraft, for information: no standard for bicycles was found."""

    source: str
    overlap_mm: float


@dataclass(frozen=True)
class PlyBookSummary:
    """The plies in numbers; ``wall_mm`` is the mean wall around the hole, ``seam_angle_deg`` where patterns
    that go around the tube are cut open."""

    rows: tuple[PlyRow, ...]
    count: int
    thickness_mm: float
    wall_mm: float
    seam_angle_deg: float
    published: tuple[PublishedOverlap, ...]


@dataclass(frozen=True)
class PlyBook:
    """The plies and their flat patterns; ``pieces`` has those of each row, more than one where the damage
    has several holes apart."""

    summary: PlyBookSummary
    notes: tuple[Note, ...]
    pieces: tuple[tuple[Pattern, ...], ...]


def cured_thickness_mm(ply: Ply) -> float:
    """Thickness of one ply: measured, or from its fibre's weight and the share of fibre in the laminate.

    A laminate of n plies of areal weight A has the fibre volume fraction n A / (density x thickness), hence
    A / (density x fraction) for each; the rule stands in lecture notes and guides on composites.

    Raises
    ------
    ValueError
        Neither a measured thickness nor all three of weight, density and fraction are given.
    """
    if ply.thickness_mm is not None:
        return ply.thickness_mm
    if ply.areal_weight_g_m2 is None or ply.fibre_density_g_cm3 is None or ply.fraction is None:
        raise ValueError(f"ply {ply.name!r} has no measured thickness, and lacks what one is computed from")
    return ply.areal_weight_g_m2 / (1000.0 * ply.fibre_density_g_cm3 * ply.fraction)


def lay_plies(fit: TubeFit, settings: BedSettings, bed: Bed, places: Places) -> PlyBook:
    """Work out each single ply from the inside out, and flatten it.

    Parameters
    ----------
    fit : the fitted tube and how far its scan is trusted
    settings : the plies and how they taper; ``count`` 3 gives three of them
    bed : what they are laid on
    places : stations and angles, for the seam

    Notes
    -----
    By ratio a ply reaches as far as the bed has come up to its upper face, so that its edge lies on the bed
    and the plies together cover all of it. By steps the innermost fills the hole and each further one covers
    one more terrace. The outermost covers the rest of the bed and laps on. The pattern is that of the middle
    of the ply's thickness, since the way around the tube is shorter further in.

    Raises
    ------
    InputError
        The outermost ply laps onto tube that the scan does not show well enough, or the hole is too small to
        cut cloth for.
    ValueError
        There are no plies.
    """
    each = [ply for ply in settings.plies for _ in range(ply.count)]
    if not each:
        raise ValueError("there are no plies to lay")
    thickness = np.array([cured_thickness_mm(ply) for ply in each])
    wall = wall_of(bed, thickness)
    reaches = reaches_of(settings, thickness, wall)
    grid = _grid(fit, settings, bed, places, reaches[-1])
    rows: list[PlyRow] = []
    pieces = []
    for k, ply in enumerate(each):
        below = Below(fit.surface, middle_of(settings, bed.coats, wall, thickness, k))
        found = patterns_of(below, grid, partial(past_edge, bed, reaches[k]))
        if not found:
            raise InputError(
                f"the hole is {bed.summary.hole_length_mm:.1f} mm long, too small to cut a ply for: "
                "cut back more"
            )
        row = _row(ply, k, found, (reaches[k], reaches[k - 1] if k else None))
        rows.append(row)
        pieces.append(found)
    mean_wall = float(wall(*bed.uv.T).mean())
    total = float(thickness.sum())
    seam = places.named(np.array(np.mean(bed.stations_mm)), np.array(grid.seam_rad))[1]
    published = published_overlaps(float(thickness[-1]))
    summary = PlyBookSummary(tuple(rows), len(rows), total, mean_wall, float(seam), published)
    return PlyBook(summary, filling_notes(total, mean_wall), tuple(pieces))


def _grid(fit: TubeFit, settings: BedSettings, bed: Bed, places: Places, last: Over) -> OpenGrid:
    """A grid that holds all plies, cut open away from the damage, or opposite to where angles count from."""
    surface = fit.surface
    first = max(fit.rebuilt_mm[0] - fit.flanks_mm[0], surface.range_u[0])
    final = min(fit.rebuilt_mm[1] + fit.flanks_mm[1], surface.range_u[1])
    slowest = float(
        np.linalg.norm(surface.derivatives(*grid_over((first, final), (40, 48)), 1, 0), axis=-1).min()
    )
    room = (settings.lap_mm + _ROOM_MM) / slowest
    stations = max(first, bed.stations_mm[0] - room), min(final, bed.stations_mm[1] + room)
    v: Floats = np.linspace(0.0, TURN_RAD, 721)
    short = -min(float(past_edge(bed, last, np.array(u), v).min()) for u in stations)
    if short > 0.0:
        what = "lap" if settings.lap_mm >= short else "ratio, step or cut back"
        raise InputError(
            f"the outermost ply reaches {short:.1f} mm beyond the tube that the scan can be trusted for: "
            f"give a smaller {what}, or scan more of the tube"
        )
    edge = _EDGE_MM if bed.hole.field is None else _PATCH_EDGE_MM
    step = max(_SHORTEST_MM, min(edge, bed.summary.hole_length_mm / _EDGES_IN_HOLE))
    return OpenGrid(stations, _seam(bed, places), step)


def _seam(bed: Bed, places: Places) -> float:
    """Parameter v along which patterns that go around the tube are cut open."""
    middle = float(np.mean(bed.hole.gap_mm))
    if bed.hole.field is None:
        there = Reading(0.0, station_mm=middle - places.start_u, angle_deg=180.0)
        return float(places.found([there], "seam")[1][0])
    u, v = grid_over(bed.hole.gap_mm, (60, 720))
    inside = np.nonzero(bed.hole.beyond(u, v) < 0.0)[1]
    return float(np.mod(np.angle(np.exp(1j * v[inside]).sum()) + np.pi, TURN_RAD))


def _row(ply: Ply, k: int, found: tuple[Pattern, ...], reaches: tuple[Over, Over | None]) -> PlyRow:
    edge = np.concatenate([piece.uv for piece in found]).T
    reach = reaches[0](*edge)
    beneath = np.zeros_like(reach) if reaches[1] is None else reaches[1](*edge)
    length, width = (max(piece.size_mm[axis] for piece in found) for axis in (0, 1))
    return PlyRow(
        ply.name,
        k + 1,
        ply.angle_deg,
        cured_thickness_mm(ply),
        "computed" if ply.thickness_mm is None else "measured",
        ply.areal_weight_g_m2,
        ply.fraction,
        length,
        width,
        sum(piece.area_mm2 for piece in found),
        float((reach - beneath).min()),
        float(reach.min()),
        max(piece.stretch_most for piece in found),
    )


def published_overlaps(outermost_mm: float) -> tuple[PublishedOverlap, ...]:
    """What is published for aircraft, beside an outermost ply of a thickness."""
    return (
        PublishedOverlap(
            "aircraft, AC 43.13-1B (1998) par. 3-2: edge scarfed back some 50 times the face ply's thickness",
            50.0 * outermost_mm,
        ),
        PublishedOverlap("aircraft, a public guide to composite repair: about 12.5 mm a ply", 12.5),
    )


def filling_notes(total: float, wall: float) -> tuple[Note, ...]:
    """What to say of plies that together are not as thick as the wall."""
    if abs(total - wall) <= _FILLS_SHARE * wall:
        return ()
    code, word, do = (
        ("plies_thin", "less", "add plies") if total < wall else ("plies_thick", "more", "lay fewer plies")
    )
    return (
        Note(
            code,
            f"the plies are {total:.2f} mm thick together once cured, {word} than the wall of {wall:.2f} mm "
            f"by {abs(total - wall) / wall:.0%}: {do}, or measure the cured thickness on a piece laid up "
            "the same way",
        ),
    )
