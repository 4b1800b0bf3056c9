"""Broken tubes with known truth: lofted by a CAD kernel, then scanned with faults.

``broken_tube("stay", 40.0, seed=1, rim="crushed", holes=3)`` gives a posed scan, the two damage
points, and the signed distance of any points to the original surface. The faults are the fields of
``scan_faults.ScanFaults``.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from cad_surface import CadSurface, loft
from scan_faults import ScanFaults, moved_half, random_turn
from scan_like import scan_like
from tube_families import kind_of

Floats = NDArray[np.float64]

#: Section stations run on this far past both ends of the scan, so that the ends are fair too (mm).
_RUN_OUT_MM = 24.0
_STATION_MM = 12.0


#: Families that may be looked at while the method is made, and those that only judge it.
DEVELOPMENT = ("round", "oval", "stay", "d_section", "s_stay", "superellipse")
KEPT_OUT = ("tapered", "tight_stay", "hourglass", "aerofoil", "twisted_oval", "down_tube")
KINDS = tuple(sorted(DEVELOPMENT + KEPT_OUT))


@dataclass(frozen=True)
class LoftedTube:
    """An intact tube in its own frame: it starts at the origin, along z, and bends in the xz plane."""

    kind: str
    variant: int
    length_mm: float
    perimeter_mm: float
    surface: CadSurface
    centreline_mm: Floats
    station_mm: Floats
    along_of_w: tuple[Floats, Floats]

    def centre(self, along_mm: float) -> Floats:
        """The point of the centreline at a length along it."""
        return np.array([np.interp(along_mm, self.station_mm, c) for c in self.centreline_mm.T])

    def axis(self, along_mm: float) -> Floats:
        """Unit direction of the centreline."""
        step = self.centre(along_mm + 0.5) - self.centre(along_mm - 0.5)
        return np.asarray(step / np.linalg.norm(step))

    def along(self, points: Floats) -> Floats:
        """Length along the centreline, nearest to points, mm."""
        _, nearest = cKDTree(self.centreline_mm).query(points)
        return self.station_mm[nearest]

    def evaluate(self, along_mm: Floats, around: Floats) -> tuple[Floats, Floats]:
        """Surface points and outward normals."""
        w = np.interp(along_mm, self.along_of_w[1], self.along_of_w[0])
        return self.surface.at(around, w), self.surface.normals(around, w)

    def distance(self, points: Floats) -> Floats:
        """Signed distance to the original surface, positive outside, mm."""
        return self.surface.distance(points)


@lru_cache(maxsize=32)
def lofted_tube(kind: str, *, length_mm: float = 300.0, variant: int = 0) -> LoftedTube:
    """One of ``KINDS``, lofted by the CAD kernel; ``variant`` 0 is the family's nominal shape."""
    shape = kind_of(kind, variant)
    station = np.arange(-_RUN_OUT_MM, length_mm + _RUN_OUT_MM + 0.05, 0.05)
    heading = shape.heading_rad(station, length_mm)
    step = 0.05 * np.stack([np.sin(heading), np.zeros_like(heading), np.cos(heading)], axis=1)
    line = np.cumsum(step, axis=0) - 0.5 * step
    line -= line[np.searchsorted(station, 0.0)]
    n = round((station[-1] - station[0]) / _STATION_MM) + 1
    sections = []
    for i in np.round(np.linspace(0, len(station) - 1, n)).astype(int):
        flat = shape.section(station[i] / length_mm)
        cosine, sine = np.cos(heading[i]), np.sin(heading[i])
        offset = np.stack([flat[:, 0] * cosine, flat[:, 1], -flat[:, 0] * sine], axis=1)
        sections.append(line[i] + offset)
    surface = loft(sections)
    w = np.linspace(0.0, 1.0, 400)
    rings = surface.at(np.tile(np.linspace(0, 1, 64, endpoint=False), 400), np.repeat(w, 64)).reshape(
        400, 64, 3
    )
    along = station[cKDTree(line).query(rings.mean(axis=1))[1]]
    middle = rings[200]
    perimeter = np.linalg.norm(middle - np.roll(middle, 1, axis=0), axis=1).sum()
    return LoftedTube(kind, variant, length_mm, float(perimeter), surface, line, station, (w, along))


@dataclass(frozen=True)
class BrokenTube:
    """A posed scan of a broken tube and the truth about it.

    ``vertices`` (n, 3) and ``faces`` (m, 3); ``from_mm`` and ``to_mm`` lie on the centreline at the
    two ends of the gap. With a displaced far half the truth is that of the near half. With half-round
    damage ``damaged`` numbers the vertices to mark and ``damaged_turn`` is the middle and the width of
    the damaged part, shares of a turn.
    """

    tube: LoftedTube
    faults: ScanFaults
    gap_mm: tuple[float, float]
    vertices: Floats
    faces: NDArray[np.int32]
    from_mm: Floats
    to_mm: Floats
    turn: Rotation
    shift: Floats
    damaged: NDArray[np.int64] | None = None
    damaged_turn: tuple[float, float] | None = None

    def to_tube(self, points: Floats) -> Floats:
        """Posed points in the tube's own frame."""
        return np.asarray(self.turn.inv().apply(np.asarray(points) - self.shift))

    def truth_error(self, points: Floats) -> Floats:
        """Signed distance of posed points to the original surface, positive outside, mm."""
        return self.tube.distance(self.to_tube(points))

    def truth_normals(self, points: Floats) -> Floats:
        """Outward normals of the original surface where it is closest to posed points."""
        t, w = self.tube.surface.closest(self.to_tube(points))
        return np.asarray(self.turn.apply(self.tube.surface.normals(t, w)))

    def in_gap(self, points: Floats) -> NDArray[np.bool_]:
        """Which posed points lie where the surface was damaged: between the ends of the gap.

        With half-round damage, also within the damaged part of the turn.
        """
        own = self.to_tube(points)
        along = self.tube.along(own)
        within = (along > self.gap_mm[0]) & (along < self.gap_mm[1])
        if self.damaged_turn is not None:
            middle, share = self.damaged_turn
            around = self.tube.surface.closest(own)[0]
            within &= np.abs((around - middle + 0.5) % 1.0 - 0.5) < 0.5 * share
        return np.asarray(within)


def broken_tube(
    kind: str,
    gap_mm: float,
    seed: int,
    *,
    length_mm: float | None = None,
    gap_centre: float = 0.5,
    flanks_mm: tuple[float, float] | None = None,
    variant: int = 0,
    **adversities: Any,
) -> BrokenTube:
    """Loft, break and scan a tube; ``adversities`` are the fields of ``ScanFaults``.

    Without ``length_mm`` the tube has 110 mm of flank on each side of the gap, and 300 mm at least.
    ``flanks_mm`` cuts the scan, not the tube: so much of it is left before and behind the gap.
    """
    faults = ScanFaults(**adversities)
    longest = max((110.0, *(flanks_mm or ())))
    length = length_mm or max(300.0, gap_mm + 2.0 * longest)
    tube = lofted_tube(kind, length_mm=length, variant=variant)
    rng = np.random.default_rng(seed)
    middle = gap_centre * tube.length_mm
    gap = (middle - 0.5 * gap_mm, middle + 0.5 * gap_mm)
    start, stop = (gap[0] - flanks_mm[0], gap[1] + flanks_mm[1]) if flanks_mm else (0.0, tube.length_mm)
    scan = scan_like(
        lambda along, around: tube.evaluate(along + start, around),
        length_mm=stop - start,
        perimeter_mm=tube.perimeter_mm,
        gap_mm=(gap[0] - start, gap[1] - start),
        faults=faults,
        rng=rng,
    )
    vertices = scan.vertices
    if faults.offset_mm or faults.angle_deg or faults.twist_deg:
        far = tube.along(vertices) > middle
        vertices = moved_half(
            vertices, far, centre_mm=tube.centre(middle), axis=tube.axis(middle), faults=faults
        )
    turn = random_turn(rng) if faults.posed else Rotation.identity()
    shift = rng.uniform(-400.0, 400.0, 3) if faults.posed else np.zeros(3)
    ends = [np.asarray(turn.apply(tube.centre(at)) + shift) for at in gap]
    return BrokenTube(
        tube,
        faults,
        gap,
        turn.apply(vertices) + shift,
        scan.faces,
        *ends,
        turn,
        shift,
        scan.damaged,
        scan.damaged_turn,
    )
