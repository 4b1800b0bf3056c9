"""A broken tube told in the stations and angles of a whole one that lies where it should be."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gaploft.donor.flanks import Flanks
from gaploft.donor.laid import Ground
from gaploft.donor.model import Placement
from gaploft.errors import EvidenceError
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.shape import Shape
from gaploft.tube.model import TubePoints

Floats = NDArray[np.float64]

#: The tube is followed to this far from an end of the donor, mm.
_END_MM = 1.0


def tube_on_shape(flanks: Flanks, placement: Placement) -> tuple[TubePoints, Shape]:
    """The tube with stations and angles on the placed shape, both cut to where they cover each other.

    Raises
    ------
    EvidenceError
        The donor ends within the damage.
    """
    tube, shape = flanks.tube, placement.shape
    ground, arc = Ground.of(shape), shape.sweep.arc
    ends = (*tube.flank_mm, *tube.gap_mm)
    rings = flanks.surface.evaluate(np.array(ends)[:, None], np.arange(48) * (TURN_RAD / 48))
    start, stop, gap_start, gap_stop = (float(at) for at in arc.straightened(rings.mean(axis=1))[:, 0])
    first, last = shape.range_u
    start, stop = max(start, first + _END_MM), min(stop, last - _END_MM)
    if not start < gap_start < gap_stop < stop:
        raise EvidenceError(
            "the donor does not cover the damage with some intact tube on both sides of it: take a longer one"
        )
    station = arc.straightened(tube.points_mm)[:, 0]
    kept = np.flatnonzero((station > start) & (station < stop))
    points = tube.points_mm[kept]
    near = ground.nearest(points)
    feet = ground.feet(points, near)
    patch = None
    if tube.patch is not None:
        marked = flanks.surface.evaluate(tube.patch[:, 0], tube.patch[:, 1])
        at = ground.feet(marked)
        patch = np.column_stack([at.u, at.v])
        gap_start, gap_stop = float(at.u.min()), float(at.u.max())
    carried = replace(
        tube,
        points_mm=points,
        normals=tube.normals[kept],
        u=feet.u,
        v=feet.v,
        damaged=tube.damaged[kept],
        gap_mm=(gap_start, gap_stop),
        flank_mm=(start, stop),
        patch=patch,
    )
    return carried, shape.restricted(start, stop)
