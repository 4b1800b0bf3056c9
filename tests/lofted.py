"""Broken tubes with known truth: lofted by a CAD kernel, then scanned with faults.

``broken_tube("stay", 40.0, seed=1, rim="crushed", holes=3)`` gives a posed scan, the two damage
points, and the signed distance of any points to the original surface. The faults are the fields of
``scan_faults.ScanFaults``.
"""

from collections.abc import Callable
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
from section_shapes import cut_aerofoil, d_section, ellipse, superellipse, twisted

Floats = NDArray[np.float64]
Section = Callable[[float], Floats]

#: Section stations run on this far past both ends of the scan, so that the ends are fair too (mm).
_RUN_OUT_MM = 24.0
_STATION_MM = 12.0


@dataclass(frozen=True)
class Kind:
    """A family of tubes: the section at a share of its length, and its heading along the way."""

    section: Section
    heading_rad: Callable[[Floats, float], Floats]


def _straight(along: Floats, length_mm: float) -> Floats:
    return np.zeros_like(along)


def _bend(radius_mm: float) -> Callable[[Floats, float], Floats]:
    return lambda along, length_mm: (along - 0.5 * length_mm) / radius_mm


def _s_bend(along: Floats, length_mm: float) -> Floats:
    return 0.12 * np.sin(2 * np.pi * along / length_mm)


def _ease(share: float) -> float:
    """0 to 1 with flat ends, carried on past them."""
    return 0.5 - 0.5 * np.cos(np.pi * share)


def _between(start: float, stop: float, share: float) -> float:
    return start + (stop - start) * share


#: name -> tube. Diameters 12 to 60 mm; ``s`` is the share of the length, 0 to 1.
KINDS: dict[str, Kind] = {
    "round": Kind(lambda s: ellipse(16, 16, 96), _straight),
    "tapered": Kind(lambda s: ellipse(_between(20, 14, s), _between(20, 14, s), 96), _straight),
    "oval": Kind(lambda s: ellipse(_between(20, 14, _ease(s)), _between(14, 17, _ease(s)), 96), _straight),
    "stay": Kind(lambda s: ellipse(_between(9, 6, s), _between(9, 6, s), 96), _bend(1500)),
    "tight_stay": Kind(lambda s: ellipse(_between(9, 6, s), _between(9, 6, s), 96), _bend(400)),
    "s_stay": Kind(lambda s: ellipse(_between(8, 6, s), _between(8, 6, s), 96), _s_bend),
    "hourglass": Kind(
        lambda s: ellipse(16 - 2.5 * np.sin(np.pi * s) ** 2, 16 - 2 * np.sin(np.pi * s) ** 2, 96), _straight
    ),
    "d_section": Kind(
        lambda s: d_section(_between(15, 12, _ease(s)), _between(9, 6.5, _ease(s)), 4.0, 160), _bend(1500)
    ),
    "aerofoil": Kind(lambda s: cut_aerofoil(_between(52, 42, s), _between(24, 20, s), 3.0, 200), _straight),
    "superellipse": Kind(
        lambda s: superellipse(_between(20, 16, s), _between(15, 16, s), _between(4, 2, _ease(s)), 128),
        _straight,
    ),
    "twisted_oval": Kind(lambda s: twisted(ellipse(19, 13, 96), np.deg2rad(35) * s), _straight),
    "down_tube": Kind(
        lambda s: superellipse(
            _between(30, 24, _ease(s)), _between(22, 27, _ease(s)), _between(2.6, 2.2, s), 128
        ),
        _bend(1200),
    ),
}


@dataclass(frozen=True)
class LoftedTube:
    """An intact tube in its own frame: it starts at the origin, along z, and bends in the xz plane."""

    kind: str
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
def lofted_tube(kind: str, *, length_mm: float = 300.0) -> LoftedTube:
    """One of ``KINDS``, lofted by the CAD kernel."""
    shape = KINDS[kind]
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
    return LoftedTube(kind, length_mm, float(perimeter), surface, line, station, (w, along))


@dataclass(frozen=True)
class BrokenTube:
    """A posed scan of a broken tube and the truth about it.

    ``vertices`` (n, 3) and ``faces`` (m, 3); ``from_mm`` and ``to_mm`` lie on the centreline at the
    two ends of the gap. With a displaced far half the truth is that of the near half.
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
        """Which posed points lie between the two ends of the gap."""
        along = self.tube.along(self.to_tube(points))
        return np.asarray((along > self.gap_mm[0]) & (along < self.gap_mm[1]))


def broken_tube(
    kind: str,
    gap_mm: float,
    seed: int,
    *,
    length_mm: float | None = None,
    gap_centre: float = 0.5,
    **adversities: Any,
) -> BrokenTube:
    """Loft, break and scan a tube; ``adversities`` are the fields of ``ScanFaults``.

    Without ``length_mm`` the tube has 110 mm of flank on each side of the gap, and 300 mm at least.
    """
    faults = ScanFaults(**adversities)
    tube = lofted_tube(kind, length_mm=length_mm or max(300.0, gap_mm + 220.0))
    rng = np.random.default_rng(seed)
    middle = gap_centre * tube.length_mm
    gap = (middle - 0.5 * gap_mm, middle + 0.5 * gap_mm)
    vertices, faces = scan_like(
        tube.evaluate,
        length_mm=tube.length_mm,
        perimeter_mm=tube.perimeter_mm,
        gap_mm=gap,
        faults=faults,
        rng=rng,
    )
    if faults.offset_mm or faults.angle_deg or faults.twist_deg:
        far = tube.along(vertices) > middle
        vertices = moved_half(
            vertices, far, centre_mm=tube.centre(middle), axis=tube.axis(middle), faults=faults
        )
    turn = random_turn(rng) if faults.posed else Rotation.identity()
    shift = rng.uniform(-400.0, 400.0, 3) if faults.posed else np.zeros(3)
    ends = [np.asarray(turn.apply(tube.centre(at)) + shift) for at in gap]
    return BrokenTube(tube, faults, gap, turn.apply(vertices) + shift, faces, ends[0], ends[1], turn, shift)
