"""How long the surface takes to show other values, on a target of some 300,000 vertices, in bpy.

    .venv-blender/bin/python tests/benchmarks/bench_blender.py [--vertices 300000]

Builds and installs the extension, makes a tube's surface by formula with the add-on's own functions, and
times the operator, the tolerance, and the change that follows hand work. Without a window: what the graphics
card takes comes on top. Prints seconds; the goal is 0.3 s.
"""

import argparse
import importlib
import shutil
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "addon"))

import conftest

#: Times each is taken; the median is told.
TIMES = 7


def cylinder(n_u, n_v):
    """A target of ``n_u`` rings of ``n_v`` vertices about z, 16 mm in radius."""
    z, angle = np.meshgrid(np.linspace(0.0, 120.0, n_u), 2 * np.pi * np.arange(n_v) / n_v, indexing="ij")
    normals = np.stack([np.cos(angle), np.sin(angle), 0 * z], axis=-1).reshape(-1, 3)
    points = 16.0 * normals + np.outer(z.ravel(), [0.0, 0.0, 1.0])
    i, j = (a.ravel() for a in np.meshgrid(np.arange(n_u - 1), np.arange(n_v), indexing="ij"))
    k = (j + 1) % n_v
    quads = np.column_stack([i * n_v + j, i * n_v + k, (i + 1) * n_v + k, (i + 1) * n_v + j]).astype(np.int32)
    triangles = np.stack([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]], axis=1).reshape(-1, 3)
    from gaploft.target.model import Target  # comes with the extension

    band = 0.01 + 0.03 * np.exp(-(((points[:, 2] - 60.0) / 30.0) ** 2))
    zone = (np.abs(points[:, 2] - 60.0) < 45.0).astype(np.uint8)
    return Target(points, normals, band, zone, quads, triangles, (n_u, n_v), 0.005, 0.0 * band)


def scene_with(target, extension):
    """A surface as a rebuild leaves it, with a scan beside it."""
    import bpy  # noqa: TID251 - runs inside Blender

    surface_io, draw = (importlib.import_module(f"{extension}.{name}") for name in ("surface_io", "draw"))
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    scene = bpy.context.scene
    mesh = surface_io.bulk_mesh("scan", target.vertices_mm, target.triangles)
    scan = bpy.data.objects.new("scan", mesh)
    scene.collection.objects.link(scan)
    scene.gaploft.scan = scan
    damage = scene.gaploft.add_damage()
    surface = surface_io.surface_mesh("Rebuilt Surface", target, 1.0, np.empty((0, 2), dtype=np.int64))
    distance = 0.02 * np.sin(target.vertices_mm[:, 2])
    surface_io.write_values(surface, "scan_distance", distance)
    return draw.show_surface(scene, damage, surface)


def seconds(work):
    """Median time of a piece of work with Blender's own update of the scene after it."""
    import bpy  # noqa: TID251 - runs inside Blender

    taken = []
    for _ in range(TIMES):
        began = time.perf_counter()
        work()
        bpy.context.view_layer.update()
        taken.append(time.perf_counter() - began)
    return float(np.median(taken))


def measure(extension):
    """Name and seconds of each kind of update."""
    import bpy  # noqa: TID251 - runs inside Blender

    overlay, section = (importlib.import_module(f"{extension}.{n}") for n in ("overlay", "section_data"))
    scene, tolerances = bpy.context.scene, iter(np.linspace(0.02, 0.2, 100))
    for shown in ("SCAN", "BAND", "ZONE", "HAND"):
        yield f"show {shown.lower()}", seconds(lambda shown=shown: bpy.ops.gaploft.show_values(shown=shown))
    yield "tolerance", seconds(lambda: setattr(scene.gaploft.show, "tolerance_mm", next(tolerances)))
    yield "after hand work", seconds(lambda: overlay.outdated(scene) or overlay.paint(scene))
    section.view_of(scene)
    yield "section at another station", seconds(lambda: section.view_of(scene))

    def hand_work():
        section.grown_old()
        section.view_of(scene)

    yield "section after hand work", seconds(hand_work)
    yield "plain again", seconds(lambda: bpy.ops.gaploft.show_values(shown="NONE"))


def main():
    """Build, install, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vertices", type=int, default=300_000)
    wanted = parser.parse_args().vertices
    n_v = round((0.8 * wanted) ** 0.5)
    n_u = -(-wanted // n_v)
    try:
        conftest.install_extension(conftest.build_extension(conftest.USER_RESOURCES / "dist"))
        surface = scene_with(cylinder(n_u, n_v), conftest.EXTENSION)
        print(f"{len(surface.data.vertices)} vertices")
        for name, taken in measure(conftest.EXTENSION):
            print(f"{name:28} {taken:.3f} s")
    finally:
        shutil.rmtree(conftest.USER_RESOURCES, ignore_errors=True)


if __name__ == "__main__":
    main()
