"""What a patch stands on: a surface to measure points against, and a smooth field over it."""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from gaploft.patch.field import Nodes
from gaploft.patch.jets import POWERS
from gaploft.patch.meeting import Against
from gaploft.patch.settle import Laid

Floats = NDArray[np.float64]

_ONTO_STEPS = 5
#: Points farther than this from a surface are not brought onto it at once, mm.
_FARTHEST_MM = 20.0


class Base(Protocol):
    """A surface that knows distances."""

    def against(self, points: Floats) -> Against:
        """Signed distance, normal and more of points (n, 3)."""


class SureBase(Base, Protocol):
    """A base that a fit knows before its field, and how certain it is."""

    def onto(self, points: Floats) -> Floats:
        """Points moved onto the surface, (n, 3)."""

    def spread(self, points: Floats) -> Floats:
        """Standard uncertainty of the surface at points of it, (n,) mm, beyond what a field takes up."""


@dataclass(frozen=True)
class FairBase:
    """A surface through nodes: their polynomials, blended."""

    nodes: Nodes
    coefficients: Floats

    @classmethod
    def of(cls, laid: Laid) -> "FairBase":
        """The surface that nodes have settled on."""
        ground = laid.ground
        nodes = Nodes(laid.points, laid.normals, ground.areas, ground.spacing_mm)
        # The nodes' own frames, which the polynomials were laid in.
        nodes.__dict__["stencil"] = replace(laid.stencil, height=np.zeros_like(laid.stencil.height))
        nodes.__dict__["pattern"] = laid.pattern
        return cls(nodes, laid.stencil.coefficients)

    def against(self, points: Floats) -> Against:
        """Points against the blended polynomials of the nearest nodes."""
        nodes = self.nodes
        near, weight = nodes.blend(points)
        frame = nodes.stencil.frame[near]
        local = np.einsum("mkij,mkj->mki", frame, points[:, None] - nodes.points[near])
        x, y = local[..., 0], local[..., 1]
        c = self.coefficients[near]
        height, dx, dy = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
        for k, (i, j) in enumerate(POWERS):
            height += c[..., k] * x**i * y**j
            dx += c[..., k] * i * x ** max(i - 1, 0) * y**j
            dy += c[..., k] * j * x**i * y ** max(j - 1, 0)
        steep = np.sqrt(1.0 + dx**2 + dy**2)
        distance = (weight * (local[..., 2] - height) / steep).sum(axis=1)
        local_normal = np.stack([-dx, -dy, np.ones_like(dx)], axis=-1) / steep[..., None]
        normal = np.einsum("mk,mki,mkij->mj", weight, local_normal, frame)
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        return Against(distance, normal, np.zeros(len(points), dtype=np.int64))


@dataclass(frozen=True)
class PatchSurface:
    """The rebuilt outer surface: a base, and a field of heights over it.

    Attributes
    ----------
    values : (n,) heights of the nodes over the base, mm
    """

    base: Base
    nodes: Nodes
    values: Floats

    @cached_property
    def even(self) -> bool:
        """Whether nothing stands over the base."""
        return not np.any(self.values)

    def against(self, points: Floats) -> Against:
        """Points against the rebuilt surface: to first order in the field, which is small and smooth."""
        found = self.base.against(points)
        if self.even:
            return found
        height, slope = self.nodes.values(self.values, points)
        slope = slope - np.einsum("ij,ij->i", slope, found.normal)[:, None] * found.normal
        normal = found.normal - slope
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        return replace(found, distance=found.distance - height, normal=normal)

    def onto(self, points: Floats) -> Floats:
        """Points moved onto the surface along its normals, (n, 3)."""
        for _ in range(_ONTO_STEPS):
            found = self.against(points)
            step = np.where(np.abs(found.distance) < _FARTHEST_MM, found.distance, 0.0)
            points = points - step[:, None] * found.normal
            if np.abs(step).max(initial=0.0) < 1e-7:
                break
        return points
