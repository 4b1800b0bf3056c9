"""Strips along the tube that the scanner never saw, and how well the section is bridged across them."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from gaploft.evidence.band import Band
from gaploft.surface.basis import DEGREE, TURN_RAD, periodic_knots
from gaploft.surface.fit import Problem, section_points
from gaploft.surface.sweep import Bridge, mean_section

Floats = NDArray[np.float64]

#: Narrower than this a strip is a seam between two views and says nothing, mm.
_NARROWEST_MM = 3.0
#: Places around the section at which a strip as wide is blanked, and samples across it.
_PLACES, _ACROSS = 24, 9
#: Distance of the middle of a blanked strip from that of the real one, in widths, at least.
_APART = 1.6
#: Cut-offs tried for bridging it, in widths of the strip.
_CUT_OFFS = (0.5, 1.0, 2.0)


@dataclass(frozen=True)
class Strip:
    """A bridged strip with what blanking one as wide elsewhere showed.

    ``half_width_mm`` are the largest errors at evenly spaced places across it.
    """

    bridge: Bridge
    half_width_mm: tuple[float, ...]


def widest_strip(v: Floats, radius_mm: float) -> Bridge | None:
    """The widest strip along the whole tube without points, None when there is none worth the name."""
    n = 360
    count = np.bincount(np.floor(np.mod(v, TURN_RAD) * (n / TURN_RAD)).astype(int) % n, minlength=n)
    seen = np.flatnonzero(count > 0.1 * np.median(count[count > 0]))
    empty = np.diff(np.append(seen, seen[0] + n)) - 1
    widest = int(np.argmax(empty))
    width = float(empty[widest]) * TURN_RAD / n
    if width * radius_mm < _NARROWEST_MM:
        return None
    return Bridge(float(seen[widest] + 1) * TURN_RAD / n, width, width * radius_mm)


def bridged(problem: Problem, solution: Floats, bridge: Bridge, plain_mm: float) -> Strip:
    """The strip with its evidence, bridged with the cut-off that does it best.

    A strip as wide is blanked at places all around the section that was seen and bridged in the same way; the
    cut-off that brings the section back best is taken, and what it was off by is the evidence.
    """
    width_mm = bridge.width_rad * problem.sweep.radius_mm
    local = section_points(problem, solution)
    tried = [replace(bridge, cut_off_mm=share * width_mm) for share in _CUT_OFFS]
    errors = [_errors(problem, local, each, plain_mm) for each in tried]
    best = int(np.argmin([np.mean(error**2) for error in errors]))
    largest = np.abs(errors[best]).max(axis=0)
    # It may lie either way round.
    largest = np.maximum(largest, largest[::-1])
    return Strip(tried[best], tuple(float(value) for value in largest))


def _errors(problem: Problem, local: Floats, bridge: Bridge, plain_mm: float) -> Floats:
    """Normal errors (places, across) of the section where a strip was blanked and bridged, mm."""
    sweep, cells = problem.sweep, problem.cells
    whole = mean_section(local, cells.v, cells.weights, sweep, plain_mm)
    middle, width = bridge.start_rad + bridge.width_rad / 2.0, bridge.width_rad
    nearest = min(_APART * width, np.pi)
    found = []
    for offset in np.linspace(nearest, TURN_RAD - nearest, _PLACES):
        # From one side of the strip around to its other side, with some of the section seen between.
        at = middle + offset
        away = np.abs(np.mod(cells.v - at + np.pi, TURN_RAD) - np.pi) > width / 2.0
        there = replace(bridge, start_rad=float(np.mod(at - width / 2.0, TURN_RAD)))
        blanked = mean_section(local[away], cells.v[away], cells.weights[away], sweep, plain_mm, there)
        v = np.mod(at + width * np.linspace(-0.5, 0.5, _ACROSS), TURN_RAD)
        off = _section_at(blanked, v) - _section_at(whole, v)
        along = _section_at(whole, v, 1)
        normals = np.column_stack([along[:, 1], -along[:, 0]])
        found.append((off * normals).sum(1) / np.linalg.norm(normals, axis=1))
    return np.array(found)


def _section_at(section: Floats, v: Floats, order: int = 0) -> Floats:
    closed = np.concatenate([section, section[:DEGREE]])
    return np.asarray(BSpline(periodic_knots(len(section)), closed, DEGREE)(v, nu=order))


def band_with_strip(band: Band, strip: Strip) -> Band:
    """The band widened where the section was never seen."""
    n = 4 * band.half_width_mm.shape[1]
    v = np.arange(n) * (TURN_RAD / n)
    uu, vv = np.meshgrid(band.u, v, indexing="ij")
    into = np.mod(v - strip.bridge.start_rad, TURN_RAD) / strip.bridge.width_rad
    places = np.linspace(0.0, 1.0, len(strip.half_width_mm))
    wider = np.where(into <= 1.0, np.interp(into, places, strip.half_width_mm), 0.0)
    return replace(band, half_width_mm=np.hypot(band(uu, vv), wider))
