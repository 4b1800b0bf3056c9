"""Cutting the target out of the surface: a regular quad mesh whose chord error is measured, not assumed."""

from collections.abc import Callable
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import TubeSurface
from gaploft.target.model import Target

#: Facets along the tube are at most this much longer than around it: quads stay fit for sculpting.
_LONGEST_ASPECT = 2.0
_SHARE_AROUND = 0.75
_FINE_U, _FINE_V = 40, 720
_MOST_VERTICES = 4_000_000

Places = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]


def _steps_around(
    surface: TubeSurface, stations: tuple[float, float], tolerance: float
) -> NDArray[np.float64]:
    """Parameters around the tube, closer together where any section bends more tightly."""
    u = np.linspace(*stations, _FINE_U)[:, None]
    v = np.arange(_FINE_V) * (TURN_RAD / _FINE_V)
    d1, d2 = surface.derivatives(u, v, 0, 1), surface.derivatives(u, v, 0, 2)
    speed = np.linalg.norm(d1, axis=-1)
    bend = np.linalg.norm(np.cross(d1, d2), axis=-1) / speed**3
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


def _steps_along(
    surface: TubeSurface, bounds: tuple[float, ...], v: NDArray[np.float64], tolerance: float
) -> NDArray[np.float64]:
    """Stations, with one exactly at each bound so that zones and seams lie on rings."""
    u = np.linspace(bounds[0], bounds[-1], _FINE_U)[:, None]
    bend = np.linalg.norm(surface.derivatives(u, v[::4], 2, 0), axis=-1).max()
    ring = surface.evaluate(np.full(len(v), (bounds[0] + bounds[-1]) / 2.0), v)
    around = float(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).mean())
    step = min(
        _LONGEST_ASPECT * around, float(np.sqrt(8.0 * tolerance * (1.0 - _SHARE_AROUND) / max(bend, 1e-9)))
    )
    pieces = [np.linspace(a, b, max(1, int(np.ceil((b - a) / step))) + 1)[:-1] for a, b in pairwise(bounds)]
    return np.append(np.concatenate(pieces), bounds[-1])


def _quads(n_u: int, n_v: int, outward: int) -> NDArray[np.int32]:
    """Quads of a sleeve of rings, anticlockwise seen from outside."""
    i, j = np.meshgrid(np.arange(n_u - 1), np.arange(n_v), indexing="ij")
    a, b = i * n_v + j, i * n_v + (j + 1) % n_v
    corners = np.stack([a, b, b + n_v, a + n_v], axis=-1).reshape(-1, 4)
    return (corners if outward > 0 else corners[:, ::-1]).astype(np.int32)


def _triangles(vertices: NDArray[np.float64], quads: NDArray[np.int32]) -> NDArray[np.int32]:
    """Each quad cut along its shorter diagonal; the first one where both are the same."""
    a, b, c, d = (vertices[quads[:, k]] for k in range(4))
    first = ((c - a) ** 2).sum(1) <= ((d - b) ** 2).sum(1) * (1.0 + 1e-9)
    one = np.where(first[:, None], quads[:, [0, 1, 2]], quads[:, [0, 1, 3]])
    two = np.where(first[:, None], quads[:, [0, 2, 3]], quads[:, [1, 2, 3]])
    return np.stack([one, two], axis=1).reshape(-1, 3)


def chord_error(
    surface: TubeSurface,
    depth_mm: float,
    vertices: NDArray[np.float64],
    triangles: NDArray[np.int32],
    uv: NDArray[np.float64],
) -> float:
    """Largest distance of facet centres and edge middles to the smooth target surface, mm."""
    uv_corners = uv[triangles]
    wide = uv_corners[:, :, 1].max(1) - uv_corners[:, :, 1].min(1) > np.pi
    uv_corners[wide, :, 1] += TURN_RAD * (uv_corners[wide, :, 1] < np.pi)
    corners = vertices[triangles]
    worst = 0.0
    for share in ((1 / 3, 1 / 3, 1 / 3), (0.5, 0.5, 0.0), (0.0, 0.5, 0.5), (0.5, 0.0, 0.5)):
        weights = np.array(share)
        points = np.einsum("tcd,c->td", corners, weights)
        start = np.einsum("tcd,c->td", uv_corners, weights)
        feet = surface.project(points, start[:, 0], start[:, 1], steps=1)
        worst = max(worst, float(np.abs(feet.distance_mm + depth_mm).max()))
    return worst


def _check_depth(
    surface: TubeSurface, uu: NDArray[np.float64], vv: NDArray[np.float64], depth_mm: float
) -> None:
    """An offset inwards folds where the surface bends more tightly than the depth."""
    tightest = float(surface.curvatures(uu[::2, ::2], vv[::2, ::2]).max())
    if depth_mm > 0.0 and depth_mm * tightest >= 1.0:
        raise EvidenceError(
            f"layers of {depth_mm:.2f} mm can't be taken off where the surface bends with a radius of "
            f"{1.0 / tightest:.2f} mm: give thinner layers"
        )


def cut_target(
    surface: TubeSurface,
    rebuilt_mm: tuple[float, float],
    *,
    overlap_mm: float,
    chord_tolerance_mm: float,
    depth_mm: float,
    band: Places,
    zone: Places,
) -> Target:
    """Facet the surface between the rims and over the overlap, ``depth_mm`` below it.

    Parameters
    ----------
    surface : the rebuilt outer surface
    rebuilt_mm : stations between which it is rebuilt
    overlap_mm : how far the target runs on at each end, as far as the surface reaches
    chord_tolerance_mm : largest distance between facets and smooth surface
    depth_mm : sum of the layers to be taken off
    band, zone : functions of (u, v) for the vertex attributes

    Raises
    ------
    EvidenceError
        The layers are thicker than the tightest radius, or the tolerance asks for too many facets.
    """
    first, last = surface.range_u
    bounds: tuple[float, ...] = (
        max(first, rebuilt_mm[0] - overlap_mm),
        *rebuilt_mm,
        min(last, rebuilt_mm[1] + overlap_mm),
    )
    bounds = tuple(b for i, b in enumerate(bounds) if i == 0 or b - bounds[i - 1] > 1e-6)
    aim = chord_tolerance_mm
    for _ in range(6):
        v = _steps_around(surface, (bounds[0], bounds[-1]), aim)
        u = _steps_along(surface, bounds, v, aim)
        if len(u) * len(v) > _MOST_VERTICES:
            raise EvidenceError(
                f"a chord tolerance of {chord_tolerance_mm:g} mm asks for {len(u) * len(v)} vertices, "
                f"at most {_MOST_VERTICES} are made: give a larger one"
            )
        uu, vv = np.meshgrid(u, v, indexing="ij")
        _check_depth(surface, uu, vv, depth_mm)
        normals = surface.normals(uu, vv).reshape(-1, 3)
        vertices = surface.evaluate(uu, vv).reshape(-1, 3) - depth_mm * normals
        quads = _quads(len(u), len(v), surface.outward)
        triangles = _triangles(vertices, quads)
        error = chord_error(surface, depth_mm, vertices, triangles, np.column_stack([uu.ravel(), vv.ravel()]))
        if error <= chord_tolerance_mm:
            break
        aim *= 0.9 * chord_tolerance_mm / error
    return Target(
        vertices,
        normals,
        band(uu, vv).ravel(),
        zone(uu, vv).ravel().astype(np.uint8),
        quads,
        triangles,
        (len(u), len(v)),
        error,
        np.full(uu.size, depth_mm),
        np.column_stack([uu.ravel(), vv.ravel()]),
    )
