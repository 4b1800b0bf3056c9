"""A scan laid over its own reflection in a plane: pairs of points, and what moving the plane does to them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from gaploft.errors import InputError
from gaploft.scan.mirrored import reflected
from gaploft.scan.model import Scan
from gaploft.tube.near import some_of
from gaploft.tube.ring import any_across
from gaploft.tube.robust import tukey

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Points that are reflected, and points of the scan among which their partners are looked for.
_SAMPLES, _GROUND = 20_000, 200_000
#: Normals of partners part by 30 degrees at most.
_SAME_WAY = float(np.cos(np.radians(30.0)))
#: Fewer pairs, or a smaller share of the scan, show no plane.
_FEWEST, _LEAST_SHARE = 100, 0.03


@dataclass(frozen=True)
class Plane:
    """A plane by one of its points and its unit normal, (3,) each."""

    point: Floats
    normal: Floats

    def moved(self, step: Floats, lever_mm: float) -> "Plane":
        """The plane shifted along its normal and turned about its point; turns in mm at the lever."""
        first = any_across(self.normal)
        second = np.cross(self.normal, first)
        normal = self.normal + (step[1] * first + step[2] * second) / lever_mm
        return Plane(self.point + step[0] * self.normal, normal / np.linalg.norm(normal))


@dataclass(frozen=True)
class Seen:
    """Pairs under one plane: samples with a partner, how far off it is, what the unknowns do to that."""

    which: Indices
    residual: Floats
    columns: Floats

    @property
    def scale(self) -> float:
        """Standard deviation from the median of absolute residuals, as of normal noise."""
        return max(1.4826 * float(np.median(np.abs(self.residual))), 1e-4)

    def weight(self, least_scale: float = 0.0) -> Floats:
        """Tukey's weights."""
        return tukey(self.residual, max(self.scale, least_scale))

    def step(self, least_scale: float) -> Floats:
        """Shift and turns that make the weighted residuals least; what the scan does not show stays."""
        weighted = self.columns * self.weight(least_scale)[:, None]
        return np.asarray(
            -np.linalg.lstsq(weighted.T @ self.columns, weighted.T @ self.residual, rcond=1e-9)[0]
        )


class Pairs:
    """The samples of a scan and the ground on which their partners are looked for."""

    def __init__(self, scan: Scan) -> None:
        n = len(scan.vertices_mm)
        numbers = np.arange(n, dtype=np.int64) ** 2
        ground, some = some_of(numbers, _GROUND / n), some_of(numbers, _SAMPLES / n)
        self.ground, self.ground_normals = scan.vertices_mm[ground], scan.normals[ground]
        self.points, self.normals = scan.vertices_mm[some], scan.normals[some]
        self.tree = KDTree(self.ground)
        self.middle = self.points.mean(axis=0)
        self.lever_mm = float(np.sqrt(((self.points - self.middle) ** 2).sum(axis=1).mean()))

    def under(self, plane: Plane, limit_mm: float) -> Seen:
        """Each reflected sample with the scan point nearest to it, where that faces the same way."""
        there = reflected(self.points, plane.point, plane.normal)
        facing = reflected(self.normals, np.zeros(3), plane.normal)
        distance, nearest = self.tree.query(there, distance_upper_bound=limit_mm)
        which = np.flatnonzero(np.isfinite(distance))
        partner = self.ground_normals[nearest[which]]
        same = np.einsum("ij,ij->i", partner, facing[which]) > _SAME_WAY
        which, partner = which[same], partner[same]
        if len(which) < max(_FEWEST, _LEAST_SHARE * len(self.points)):
            share = len(which) / len(self.points)
            raise InputError(
                f"only {share:.0%} of the scan has a partner on the other side of the mirror plane: "
                "scan both sides of the frame, or start from a plane nearer to its middle"
            )
        along = partner + facing[which]
        along /= np.linalg.norm(along, axis=1, keepdims=True)
        residual = np.einsum("ij,ij->i", there[which] - self.ground[nearest[which]], along)
        return Seen(which, residual, self._columns(plane, self.points[which] - plane.point, along))

    def _columns(self, plane: Plane, offset: Floats, along: Floats) -> Floats:
        """Change of the residuals with shift and turns, of p - 2 (p.n) n with the plane's point at 0."""
        first = any_across(plane.normal)
        ways = np.stack([first, np.cross(plane.normal, first)], axis=1)
        lean, height = along @ plane.normal, offset @ plane.normal
        turns = -2.0 * ((offset @ ways) * lean[:, None] + height[:, None] * (along @ ways)) / self.lever_mm
        return np.column_stack([2.0 * lean, turns])
