"""Screened Poisson reconstruction (Open3D).

Kazhdan and Hoppe, "Screened Poisson surface reconstruction", ACM Transactions on Graphics 32(3), 2013.
"""

import numpy as np

from .broken_scan import BrokenScan, Patch, cut_free

_DEPTH = 9
#: So much of the scan on each side goes in, mm: less of it would only make the cells of the tree smaller.
_REACH_MM = 80.0
#: Points whose mean distance to this many neighbours stands out by so many deviations are dropped.
_NEIGHBOURS, _DEVIATIONS = 20, 3.0


def screened_poisson(scan: BrokenScan) -> Patch:
    """Wrap the trusted points with their normals, depth 9, after Open3D's own removal of outliers."""
    import open3d as o3d

    part = cut_free(scan, _REACH_MM)
    mesh = o3d.geometry.TriangleMesh(
        o3d.utility.Vector3dVector(part.vertices), o3d.utility.Vector3iVector(part.faces)
    )
    mesh.compute_vertex_normals()
    cloud = o3d.geometry.PointCloud(mesh.vertices)
    cloud.normals = mesh.vertex_normals
    cloud, _ = cloud.remove_statistical_outlier(_NEIGHBOURS, _DEVIATIONS)
    surface, _ = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(cloud, depth=_DEPTH, n_threads=1)
    return Patch(np.asarray(surface.vertices), np.asarray(surface.triangles, dtype=np.int64))
