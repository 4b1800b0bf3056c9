"""Stations of a tube along the one arc that its surface is fitted about."""

from dataclasses import replace

import numpy as np

from gaploft.surface.arc import Arc, arc_through
from gaploft.tube.model import TubePoints

#: More points than this carry no more: they lie closer than the noise is correlated.
_MOST_POINTS = 50_000


def thinned(tube: TubePoints) -> TubePoints:
    """Every k-th point where there are more than carry information; always the same ones."""
    step = -(-len(tube.u) // _MOST_POINTS)
    if step == 1:
        return tube
    part = slice(None, None, step)
    return replace(
        tube,
        points_mm=tube.points_mm[part],
        normals=tube.normals[part],
        u=tube.u[part],
        v=tube.v[part],
        damaged=tube.damaged[part],
    )


def along_arc(tube: TubePoints, *, curved: bool = True, runs_on: bool = False) -> tuple[TubePoints, Arc]:
    """The tube with its stations counted along the arc that lies closest to its spine.

    It is a line unless it may be ``curved``. It is laid through the spine where there is a tube to see, for
    one that ``runs_on`` beyond its points only where these are; a station of the spine becomes that of the
    arc beside it.
    """
    (first, last), (start, stop) = tube.flank_mm, tube.gap_mm
    seen = np.concatenate([np.linspace(first, start, 40), np.linspace(stop, last, 40)])
    if runs_on:
        seen = np.linspace(float(tube.u.min()), float(tube.u.max()), 80)
    arc = arc_through(seen, tube.spine.points(seen), curved=curved)
    spine = np.linspace(first, last, 400)
    there = arc.straightened(tube.spine.points(spine))[:, 0]

    def at(station_mm: np.ndarray | float) -> np.ndarray:
        inside = np.clip(station_mm, first, last)
        return np.interp(inside, spine, there) + (station_mm - inside)

    patch = None
    if tube.patch is not None:
        patch = np.column_stack([at(tube.patch[:, 0]), tube.patch[:, 1]])
    moved = replace(
        tube,
        u=at(tube.u),
        gap_mm=(float(at(start)), float(at(stop))),
        flank_mm=(float(at(first)), float(at(last))),
        patch=patch,
    )
    return moved, arc
