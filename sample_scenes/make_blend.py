"""Make a small .blend of a sample scene, ready to open: run with the Python that has ``bpy``.

    python sample_scenes/make_blend.py [--out FILE]

A coarser mesh than ``scan.stl``, so that the file stays below 2 MB. One Blender unit is one
millimetre, and the mesh is set as the scan, so that with the extension enabled the damage is to be marked
next, as the tutorial in the README tells.
"""

import argparse
import sys
from pathlib import Path

import bpy  # noqa: TID251 - the one sample maker that runs inside Blender
import numpy as np

from make_scenes import HERE, SEAT_CLUSTER, Made, Scene, scanned

ROOT = HERE.parent
sys.path[:0] = [str(ROOT / "addon"), str(ROOT / "geometry")]
#: Mean edge length of the coarse mesh: the largest file that stays below 2 MB, rounded up.
EDGE_MM = 1.4


def scan_object(scene: Scene, made: Made) -> bpy.types.Object:
    """The scan as a mesh object, linked and active."""
    mesh = bpy.data.meshes.new(scene.name)
    mesh.vertices.add(len(made.vertices))
    mesh.vertices.foreach_set("co", made.vertices.astype(np.float32).ravel())
    mesh.loops.add(made.faces.size)
    mesh.loops.foreach_set("vertex_index", made.faces.ravel())
    mesh.polygons.add(len(made.faces))
    mesh.polygons.foreach_set("loop_start", np.arange(0, made.faces.size, 3, dtype=np.int32))
    mesh.update(calc_edges=True)
    scan = bpy.data.objects.new("Ostrel seat cluster (invented)", mesh)
    bpy.context.scene.collection.objects.link(scan)
    bpy.context.view_layer.objects.active = scan
    return scan


def set_up_scene(made: Made) -> None:
    """An empty file that reads one unit as a millimetre, with the view on the damage."""
    bpy.ops.wm.read_factory_settings()
    for thing in list(bpy.data.objects):
        bpy.data.objects.remove(thing)
    bpy.ops.outliner.orphans_purge(do_recursive=True)
    units = bpy.context.scene.unit_settings
    units.system, units.scale_length, units.length_unit = "METRIC", 0.001, "MILLIMETERS"
    middle = 0.5 * (made.from_mm + made.to_mm)
    for screen in bpy.data.screens:
        for area in (a for a in screen.areas if a.type == "VIEW_3D"):
            view = area.spaces.active
            view.clip_start, view.clip_end = 1.0, 10000.0
            view.overlay.grid_scale = 10.0
            view.region_3d.view_location, view.region_3d.view_distance = middle, 500.0


def make_blend(scene: Scene, path: Path) -> None:
    """Write the .blend of one scene."""
    import gaploft_addon  # needs the paths set above

    made = scanned(scene, edge_mm=EDGE_MM)
    set_up_scene(made)
    gaploft_addon.register()
    scan_object(scene, made)
    if bpy.ops.gaploft.use_scan(unit="mm") != {"FINISHED"}:
        raise SystemExit("the mesh could not be made the scan")
    bpy.ops.wm.save_as_mainfile(filepath=str(path), compress=True, relative_remap=False)
    gaploft_addon.unregister()
    path.with_suffix(".blend1").unlink(missing_ok=True)


def main() -> None:
    """Write ``seat_cluster/seat_cluster.blend``, or the file named by ``--out``."""
    parser = argparse.ArgumentParser(description="Make a small .blend of the sample scene.")
    scene = SEAT_CLUSTER
    parser.add_argument("--out", type=Path, default=HERE / scene.name / f"{scene.name}.blend")
    path = parser.parse_args().out.resolve()
    make_blend(scene, path)
    print(f"{path}: {path.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
