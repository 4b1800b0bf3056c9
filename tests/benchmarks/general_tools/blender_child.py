"""Child of ``blender_bridge.py``, run by a Python that has bpy:

    python blender_child.py COLLARS.npz BRIDGE.npz

``first`` and ``last`` (rows, around, 3) are two collars whose first rows are the loops to be bridged.
"""

import sys

import bpy  # noqa: TID251 - a tool to measure against, in a Python of its own
import numpy as np


def collar_faces(rows: int, around: int, start: int, turned: bool) -> list[list[int]]:
    """Quads of one collar, its vertices stored ring by ring from ``start``."""
    faces = []
    for i in range(rows - 1):
        for j in range(around):
            k = (j + 1) % around
            quad = [i * around + j, i * around + k, (i + 1) * around + k, (i + 1) * around + j]
            faces.append([start + index for index in (quad[::-1] if turned else quad)])
    return faces


def bridged(first: np.ndarray, last: np.ndarray, cuts: int) -> bpy.types.Mesh:
    """Both collars and the bridge between their first rows, as one triangulated mesh."""
    rows, around = first.shape[:2]
    size = rows * around
    mesh = bpy.data.meshes.new("tube")
    points = np.concatenate([first.reshape(-1, 3), last.reshape(-1, 3)])
    faces = collar_faces(rows, around, 0, True) + collar_faces(rows, around, size, False)
    mesh.from_pydata(points.tolist(), [], faces)
    tube = bpy.data.objects.new("tube", mesh)
    bpy.context.scene.collection.objects.link(tube)
    bpy.context.view_layer.objects.active = tube
    loops = [set(range(around)), set(range(size, size + around))]
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="DESELECT")
    bpy.ops.object.mode_set(mode="OBJECT")
    for edge in mesh.edges:
        edge.select = any(set(edge.vertices) <= loop for loop in loops)
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_mode(type="EDGE")
    bpy.ops.mesh.bridge_edge_loops(number_cuts=cuts, interpolation="SURFACE", smoothness=1.0)
    bpy.ops.mesh.select_all(action="SELECT")
    bpy.ops.mesh.quads_convert_to_tris()
    bpy.ops.object.mode_set(mode="OBJECT")
    return mesh


def main() -> None:
    """Read the collars, bridge, write the mesh; coordinates are shifted, for Blender stores float32."""
    asked, made = sys.argv[1:3]
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    with np.load(asked) as arrays:
        first, last, cuts = arrays["first"], arrays["last"], int(arrays["cuts"])
    centre = 0.5 * (first[0].mean(axis=0) + last[0].mean(axis=0))
    mesh = bridged(first - centre, last - centre, cuts)
    vertices = np.empty(3 * len(mesh.vertices), dtype=np.float32)
    mesh.vertices.foreach_get("co", vertices)
    faces = np.empty(3 * len(mesh.polygons), dtype=np.int32)
    mesh.polygons.foreach_get("vertices", faces)
    np.savez(made, vertices=vertices.reshape(-1, 3).astype(np.float64) + centre, faces=faces.reshape(-1, 3))


if __name__ == "__main__":
    main()
