"""Child of ``bench_speed.py``: screened Poisson reconstruction of a scan's points, by Open3D.

    python poisson_child.py SCAN.stl OUT.stl DEPTH

Open3D stands in for a good general reconstruction of a surface from points with normals; it does not
know that this is a tube. Reading and writing are counted, as they are on our side.
"""

import json
import sys
import time

import open3d as o3d


def main() -> None:
    """Read, reconstruct, write, and print the seconds of each as one line of JSON."""
    scan, out, depth = sys.argv[1], sys.argv[2], int(sys.argv[3])
    started = time.perf_counter()
    mesh = o3d.io.read_triangle_mesh(scan)
    mesh.remove_duplicated_vertices()
    mesh.compute_vertex_normals()
    points = o3d.geometry.PointCloud(mesh.vertices)
    points.normals = mesh.vertex_normals
    read = time.perf_counter()
    surface, _ = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(points, depth=depth)
    rebuilt = time.perf_counter()
    surface.compute_triangle_normals()
    o3d.io.write_triangle_mesh(out, surface)
    written = time.perf_counter()
    print(
        json.dumps(
            {
                "open3d": o3d.__version__,
                "points": len(points.points),
                "read_s": read - started,
                "poisson_s": rebuilt - read,
                "write_s": written - rebuilt,
            }
        )
    )


if __name__ == "__main__":
    main()
