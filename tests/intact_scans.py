"""Scans of whole tubes, posed at random or mirrored in a plane, and how far a tube was found on them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import Scan, ScanSource
from lofted import LoftedTube, lofted_tube
from scan_faults import ScanFaults, random_turn
from scan_like import scan_like

Floats = NDArray[np.float64]

SOURCE = ScanSource("intact", "", "mm", 0, 0)
#: Where a scan is told to be broken that is not: far beyond its end (mm).
_NOWHERE_MM = (1e4, 1e4 + 1.0)


@dataclass(frozen=True)
class IntactScan:
    """Vertices (n, 3) and faces (m, 3) of a scanned tube, with the pose it was given."""

    tube: LoftedTube
    vertices: Floats
    faces: NDArray[np.int32]
    turn: Rotation
    shift: Floats

    @property
    def scan(self) -> Scan:
        """The mended scan."""
        return scan_from_arrays(self.vertices, self.faces, mm_per_unit=1.0, source=SOURCE)

    def posed(self, points: Floats) -> Floats:
        """Points of the tube's own frame in that of the scan."""
        return np.asarray(self.turn.apply(points) + self.shift)

    def span(self, points: Floats) -> tuple[float, float]:
        """Least and greatest length along the tube of some points of the scan's frame."""
        along = self.tube.along(self.turn.inv().apply(points - self.shift))
        return float(along.min()), float(along.max())


def intact_scan(
    kind: str,
    seed: int,
    *,
    length_mm: float = 200.0,
    cut_mm: float = 0.0,
    gap_mm: tuple[float, float] | None = None,
    turn: Rotation | None = None,
    shift: Floats | None = None,
    **faults: float,
) -> IntactScan:
    """Scan a lofted tube; with ``cut_mm`` its far end is ragged that far from where the tube ends.

    ``gap_mm`` breaks it after all. Without ``turn`` and ``shift`` it is posed at random.
    """
    tube = lofted_tube(kind, length_mm=length_mm)
    rng = np.random.default_rng([seed, 5])
    nowhere = (length_mm - cut_mm, length_mm + 50.0) if cut_mm else _NOWHERE_MM
    all_faults = ScanFaults(**{"edge_mm": 0.9, **faults})
    scan = scan_like(
        tube.evaluate,
        length_mm=length_mm,
        perimeter_mm=tube.perimeter_mm,
        gap_mm=gap_mm or nowhere,
        faults=all_faults,
        rng=rng,
    )
    turn = random_turn(rng) if turn is None else turn
    shift = rng.uniform(-400.0, 400.0, 3) if shift is None else shift
    return IntactScan(tube, turn.apply(scan.vertices) + shift, scan.faces, turn, shift)


def together(*parts: tuple[Floats, NDArray[np.int32]]) -> Scan:
    """One scan of several meshes."""
    starts = np.cumsum([0, *(len(vertices) for vertices, _ in parts)])
    faces = [faces + start for (_, faces), start in zip(parts, starts[:-1], strict=True)]
    vertices = np.concatenate([vertices for vertices, _ in parts])
    return scan_from_arrays(vertices, np.concatenate(faces), mm_per_unit=1.0, source=SOURCE)
