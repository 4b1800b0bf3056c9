"""Rings of the scan in world space: at a place on its surface, or under a ray."""

from dataclasses import dataclass

import numpy as np

from gaploft.tube.cloud import pointed_at
from gaploft.tube.pointer import PointedRing, ring_at

from . import mesh_io


@dataclass(frozen=True)
class Found:
    """A ring in the scan's own frame, in mm; the place pointed at, centre and outline in world space."""

    ring: PointedRing
    place: np.ndarray
    centre: np.ndarray
    outline: np.ndarray


def ring_of(cloud, scan, scene, place):
    """The ring at a place in world space on the scan, or None."""
    ring = ring_at(cloud, mesh_io.to_own_mm(scan, scene, place))
    if ring is None:
        return None
    points = to_world(scan, scene, np.vstack([ring.centre_mm, ring.outline_mm]))
    return Found(ring, np.asarray(place), points[0], points[1:])


def ring_under(cloud, scan, scene, ray):
    """The ring under a ray in world space, given as origin and direction, or None."""
    place = place_under(cloud, scan, scene, ray)
    return None if place is None else ring_of(cloud, scan, scene, place)


def place_under(cloud, scan, scene, ray):
    """The place on the scan under a ray, both in world space, (3,); or None."""
    origin, direction = ray
    turn = np.array(mesh_io.placement(scan).to_3x3())
    point = pointed_at(cloud, mesh_io.to_own_mm(scan, scene, origin), direction @ turn)
    return None if point is None else to_world(scan, scene, point[None])[0]


def to_world(scan, scene, points_mm):
    """Points in the scan's own frame, (n, 3) mm, in world space."""
    matrix = np.array(mesh_io.placement(scan))
    return points_mm / mesh_io.unit_of(scene)[1] @ matrix[:3, :3].T + matrix[:3, 3]
