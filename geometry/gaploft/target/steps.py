"""Stations and angles of the target's vertices: close together where the surface, or the depth, bends."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import TubeSurface
from gaploft.target.offset import Below

Floats = NDArray[np.float64]

#: Facets along the tube are at most this much longer than around it: quads stay fit for sculpting.
_LONGEST_ASPECT = 2.0
_SHARE_AROUND = 0.75
_FINE_U, _FINE_V = 40, 720
#: The bend of a depth that varies is measured over this length, mm: about one facet.
_FACET_MM = 0.25


def target_bounds(
    surface: TubeSurface, rebuilt_mm: tuple[float, float], overlap_mm: float
) -> tuple[float, ...]:
    """Stations of the target's ends and of the rims between them, as far as the surface reaches."""
    first, last = surface.range_u
    bounds = (
        max(first, rebuilt_mm[0] - overlap_mm),
        *rebuilt_mm,
        min(last, rebuilt_mm[1] + overlap_mm),
    )
    return tuple(b for i, b in enumerate(bounds) if i == 0 or b - bounds[i - 1] > 1e-6)


def steps_around(below: Below, stations: tuple[float, float], tolerance: float) -> Floats:
    """Parameters around the tube, closer together where any section bends more tightly."""
    u = np.linspace(*stations, _FINE_U)[:, None]
    v = np.asarray(np.arange(_FINE_V) * (TURN_RAD / _FINE_V), dtype=np.float64)
    d1, d2 = below.surface.derivatives(u, v, 0, 1), below.surface.derivatives(u, v, 0, 2)
    speed = np.linalg.norm(d1, axis=-1)
    bend = np.linalg.norm(np.cross(d1, d2), axis=-1) / speed**3
    if not below.even:
        bend = bend + _bend_of_depth(below, u, v, 0.0 * speed, np.asarray(_FACET_MM / speed))
    # A chord of length h over curvature k is off by k h^2 / 8.
    wanted = np.sqrt(bend / (8.0 * tolerance * _SHARE_AROUND)) * speed
    # Flat sides still get facets a fifth as dense as the mean, so that neighbours differ gently.
    density = np.maximum(wanted.max(axis=0), 0.5 * wanted.max(axis=0).mean())
    smooth = np.real(
        np.fft.ifft(np.fft.fft(density) * np.exp(-((np.fft.fftfreq(_FINE_V, 1 / _FINE_V) / 60.0) ** 2)))
    )
    density = np.maximum(smooth, density)
    total = np.concatenate([[0.0], np.cumsum(density)]) * (TURN_RAD / _FINE_V)
    n = max(24, int(np.ceil(total[-1])))
    return np.interp(np.arange(n) * (total[-1] / n), total, np.arange(_FINE_V + 1) * (TURN_RAD / _FINE_V))


def steps_along(below: Below, bounds: tuple[float, ...], v: Floats, tolerance: float) -> Floats:
    """Stations, with one exactly at each bound so that zones and seams lie on rings."""
    surface = below.surface
    ring = surface.evaluate(np.full(len(v), (bounds[0] + bounds[-1]) / 2.0), v)
    around = float(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).mean())
    u = np.linspace(bounds[0], bounds[-1], _FINE_U)[:, None]
    of_surface = np.linalg.norm(surface.derivatives(u, v[::4], 2, 0), axis=-1).max()
    pieces = []
    for start, stop in pairwise(bounds):
        bend = of_surface
        if not below.even:
            u = np.linspace(start, stop, _FINE_U)[:, None]
            bend = bend + _bend_of_depth(below, u, v[::4], np.full_like(u, _FACET_MM), 0.0 * u).max()
        chord = float(np.sqrt(8.0 * tolerance * (1.0 - _SHARE_AROUND) / max(bend, 1e-9)))
        step = min(_LONGEST_ASPECT * around, chord)
        pieces.append(np.linspace(start, stop, max(1, int(np.ceil((stop - start) / step))) + 1)[:-1])
    return np.append(np.concatenate(pieces), bounds[-1])


def _bend_of_depth(below: Below, u: Floats, v: Floats, step_u: Floats, step_v: Floats) -> Floats:
    """Second derivative of the depth along one parameter, per mm, over steps of about a facet."""
    middle, before, after = (below.depth(u + k * step_u, v + k * step_v) for k in (0, -1, 1))
    return np.abs(before - 2.0 * middle + after) / _FACET_MM**2
