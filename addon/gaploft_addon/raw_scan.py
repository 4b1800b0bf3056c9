"""A scan taken out of Blender as it lies there, to be mended where the work is done."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource

from . import mesh_io


@dataclass(frozen=True)
class RawScan:
    """Vertices in Blender units and triangles of one scan, in a frame of its own, with its unit."""

    vertices: np.ndarray
    faces: np.ndarray
    mm_per_unit: float
    name: str
    unit: str

    @cached_property
    def sha256(self):
        """Checksum of the arrays."""
        return mesh_io.fingerprint(self.vertices, self.faces)

    @property
    def source(self):
        """Where the scan is from, for reports."""
        return ScanSource(self.name, self.sha256, self.unit, len(self.vertices), len(self.faces))

    def mended(self, progress):
        """The scan as the library works on it; may be called in a thread. Raises InputError."""
        return scan_from_arrays(
            self.vertices, self.faces, mm_per_unit=self.mm_per_unit, source=self.source, progress=progress
        )


def raw_scan(scene, obj):
    """Take a mesh object out of a scene, in its own frame."""
    return raw_arrays(scene, obj, *mesh_io.scan_arrays(obj))


def raw_arrays(scene, obj, vertices, faces):
    """The same of arrays that were taken out before."""
    unit, mm_per_unit = mesh_io.unit_of(scene)
    return RawScan(vertices, faces, mm_per_unit, obj.name, unit)
