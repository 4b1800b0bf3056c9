"""Screened Poisson reconstruction (Open3D).

M. Kazhdan and H. Hoppe, "Screened Poisson surface reconstruction", ACM Transactions on Graphics 32(3), 2013.
"""

import numpy as np

from .broken_patch import PatchScan, Sheet

#: 7 and 9 did no better on the development cases, nor did smoothed points or a larger cube around them.
_DEPTH = 8
#: So much of the scan beyond the margin goes in, mm.
_REACH_MM = 40.0


def screened_poisson(scan: PatchScan) -> Sheet:
    """Wrap the trusted points around the damage with the normals of the scan's mesh."""
    import open3d as o3d

    around = scan.around(_REACH_MM)
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(around.vertices))
    cloud.normals = o3d.utility.Vector3dVector(around.normals)
    surface, _ = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(cloud, depth=_DEPTH, n_threads=1)
    return Sheet(np.asarray(surface.vertices), np.asarray(surface.triangles, dtype=np.int64))
