"""Points of a scan, thinned for the pointer: read in the background, and kept while the scan stays as is."""

import zlib
from dataclasses import dataclass

import numpy as np

from gaploft.errors import InputError
from gaploft.scan.size import check_size
from gaploft.tube.cloud import Cloud, mesh_cloud

from . import mesh_io


@dataclass(frozen=True)
class Sight:
    """All that thinning one scan needs, taken out of Blender before the work begins."""

    key: tuple
    vertices: np.ndarray
    faces: np.ndarray
    unit: str
    mm_per_unit: float
    name: str

    def run(self, _progress=None):
        """Do the work; touches nothing of Blender, so it may run in a thread. Raises InputError."""
        cloud = mesh_cloud(self.vertices, self.faces, mm_per_unit=self.mm_per_unit)
        extent_mm = float(np.ptp(cloud.points_mm, axis=0).max())
        check_size(extent_mm, unit=self.unit, mm_per_unit=self.mm_per_unit, file=self.name)
        _LAST.clear()
        _LAST[self.key] = cloud
        return cloud

    @property
    def known(self) -> Cloud | None:
        """The points, when this very scan was the last one thinned."""
        return _LAST.get(self.key)


#: The scan thinned last: an aid to speed and nothing else.
_LAST: dict[tuple, Cloud] = {}


def sight_of(scene, scan):
    """Take a scan out of a scene. Raises InputError."""
    vertices, faces = mesh_io.scan_arrays(scan)
    if len(faces) == 0:
        raise InputError(f"'{scan.name}' holds no faces: a scan must be a triangle mesh")
    unit, mm_per_unit = mesh_io.unit_of(scene)
    # A sum over all bytes, since a mesh can be changed point by point.
    key = zlib.crc32(np.ascontiguousarray(vertices).data), len(vertices), len(faces), mm_per_unit
    return Sight(key, vertices, faces, unit, mm_per_unit, scan.name)
