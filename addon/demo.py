"""Show the whole: rebuild the sample scan in a headless Blender through the extension's own buttons.

Wants a Python with the bpy wheel. Writes the target, the report, a picture and the .blend into
``demo-out/`` and sets the measured error against the claimed band, since the sample's original
surface is known exactly. Ends with 1 if anything fails or the claim does not hold.
"""

import json
import os
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SCENE = ROOT / "sample_scenes" / "seat_cluster"
OUT = ROOT / "demo-out"


def main() -> int:
    """Run the demo and return its exit code."""
    OUT.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="gaploft-demo-") as folder:
        # Read when bpy is first imported: nobody's own settings are touched.
        os.environ["BLENDER_USER_RESOURCES"] = folder
        install_extension(built_zip(Path(folder) / "dist"))
        load_scan(tomllib.loads((SCENE / "job.toml").read_text(encoding="utf-8")))
        run_steps()
        holds = compare_with_truth()
        dress_scene()
        render_picture(OUT / "picture.png")
        save_blend(OUT / "demo.blend")
    print("\nIn", OUT)
    for path in sorted(OUT.iterdir()):
        print(f"  {path.name:14} {path.stat().st_size / 1024:9,.0f} kB")
    return 0 if holds else 1


def built_zip(folder: Path) -> Path:
    """Build the extension for this Python, as it would be handed out."""
    version = f"{sys.version_info.major}.{sys.version_info.minor}"
    command = [
        sys.executable,
        str(ROOT / "addon" / "build.py"),
        "--python",
        version,
        "--output-dir",
        str(folder),
    ]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    (zip_file,) = folder.glob("*.zip")
    return zip_file


def install_extension(zip_file: Path) -> None:
    """Install and enable a zip as a user would from disk."""
    import bpy

    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    bpy.ops.extensions.package_install_files(
        filepath=str(zip_file), repo="user_default", enable_on_install=True
    )
    print(f"Installed {zip_file.name} in Blender {bpy.app.version_string}")


def load_scan(job: dict) -> None:
    """Import the scan and set the job's values in the scene."""
    import bpy

    bpy.ops.wm.stl_import(filepath=str(SCENE / job["scan"]["file"]))
    state = bpy.context.scene.gaploft
    state.scan_unit = job["scan"]["unit"]
    state.from_point, state.to_point = job["damage"]["from"], job["damage"]["to"]
    state.chord_tolerance_mm = job["target"]["chord_tolerance"]
    state.overlap_mm = job["target"]["overlap"]


def run_steps() -> None:
    """The four buttons, in the order of the work; each raises when it reports an error."""
    import bpy

    buttons = bpy.ops.gaploft  # type: ignore[attr-defined]
    buttons.mark_damage()
    buttons.rebuild()
    buttons.recheck()
    buttons.export_target(filepath=str(OUT / "target.stl"))


def compare_with_truth() -> bool:
    """Set the error of the rebuilt zone against the claim; True when the claim holds."""
    import bpy
    import numpy as np

    sys.path.insert(0, str(SCENE.parent))
    from truth import truth_distance  # type: ignore[import-not-found]

    surface = bpy.context.scene.gaploft.result
    mesh = surface.data
    points, band, zone = (
        np.empty(3 * len(mesh.vertices)),
        np.empty(len(mesh.vertices)),
        np.empty(len(mesh.vertices)),
    )
    mesh.vertices.foreach_get("co", points)
    mesh.attributes["band95"].data.foreach_get("value", band)
    mesh.attributes["zone"].data.foreach_get("value", zone)
    rebuilt = zone == 1
    error = truth_distance(SCENE, points.reshape(-1, 3)[rebuilt])
    rms, worst = float(np.sqrt(np.mean(error**2))), float(np.abs(error).max())
    widest = float(band[rebuilt].max())
    report = json.loads((OUT / "report.json").read_text(encoding="utf-8"))
    blank = report["blank_test"]
    print(f"\nGap of {report['gap']['length_mm']:.1f} mm, verdict: {report['verdict']}")
    for warning in report["warnings"]:
        print(f"  {warning['code']}: {warning['text']}")
    print(f"  claimed   95 % band, half width: median {np.median(band[rebuilt]):.3f}, widest {widest:.3f} mm")
    tested = f"{blank['count']} blank stretches: rms {blank['rms_mm']:.3f}, worst {blank['max_mm']:.3f} mm"
    print(f"  tested    {tested}")
    inside = float(np.mean(np.abs(error) <= band[rebuilt]))
    print(f"  measured  against the truth: rms {rms:.3f}, worst {worst:.3f} mm; {inside:.1%} inside the band")
    if rms > widest:
        print("The claim does not hold: the error is larger than the band.", file=sys.stderr)
    return rms <= widest


def dress_scene() -> None:
    """Give the scan a grey coat, and the scene a camera and lights, for the picture."""
    import bpy
    import numpy as np
    from mathutils import Vector

    state, scene = bpy.context.scene.gaploft, bpy.context.scene
    grey = bpy.data.materials.new("Scan Grey")
    grey.diffuse_color = (0.45, 0.45, 0.45, 1.0)
    grey.use_nodes = True
    coat = grey.node_tree.nodes["Principled BSDF"].inputs
    coat["Base Color"].default_value, coat["Roughness"].default_value = (0.20, 0.20, 0.21, 1.0), 0.8
    state.scan.data.materials.append(grey)

    start, stop = (mark.matrix_world.translation for mark in (state.mark_from, state.mark_to))
    corners = np.array(state.scan.bound_box)
    size = float(np.linalg.norm(np.ptp(corners, axis=0)))
    middle, along = (start + stop) / 2, (stop - start).normalized()
    centre = Vector(corners.mean(axis=0))
    away = along.cross(Vector((0.0, 0.0, 1.0))).normalized()
    view = (away + 0.35 * away.cross(along)).normalized()
    target = middle.lerp(centre, 0.3)

    up = view.cross(along)
    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    camera.data.lens, camera.data.clip_end = 60.0, 20.0 * size
    camera.matrix_world = _looking(target + 1.15 * size * view, target, up=up)
    scene.camera = camera
    for name, direction, strength in (
        ("Key", view + 0.8 * along + 0.6 * up, 2.0),
        ("Fill", view - 1.5 * along, 0.5),
    ):
        sun = bpy.data.objects.new(name, bpy.data.lights.new(name, "SUN"))
        sun.data.energy, sun.data.angle = strength, 0.3
        sun.matrix_world = _looking(target + size * direction, target, up=along)
        scene.collection.objects.link(sun)
    scene.collection.objects.link(camera)
    scene.world = bpy.data.worlds.new("Light Room")
    scene.world.use_nodes = True
    scene.world.node_tree.nodes["Background"].inputs["Color"].default_value = (0.85, 0.88, 0.92, 1.0)
    scene.world.node_tree.nodes["Background"].inputs["Strength"].default_value = 0.9


def _looking(origin, target, *, up):
    """A matrix at ``origin`` whose -z axis points to ``target`` and whose y axis is near ``up``."""
    from mathutils import Matrix

    back = (origin - target).normalized()
    right = up.cross(back).normalized()
    return Matrix.Translation(origin) @ Matrix((right, back.cross(right), back)).transposed().to_4x4()


def render_picture(path: Path) -> None:
    """Render with the processor alone: no graphics card or display is needed."""
    import bpy

    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    scene.cycles.device = "CPU"
    scene.cycles.samples = 32
    scene.cycles.max_bounces = 3
    scene.cycles.use_denoising = False
    scene.render.resolution_x, scene.render.resolution_y = 1200, 720
    scene.view_settings.view_transform = "Standard"
    scene.render.filepath = str(path)
    # Over intact tube, target and scan lie within the noise of each other and would show as speckles.
    surface = scene.gaploft.result
    lifted = surface.modifiers.new("Lifted", "DISPLACE")
    lifted.strength, lifted.mid_level = 0.15, 0.0
    with quiet():
        bpy.ops.render.render(write_still=True)
    surface.modifiers.remove(lifted)


@contextmanager
def quiet() -> Iterator[None]:
    """Keep the renderer's lines about every step, written by C code, off the screen."""
    sys.stdout.flush()
    kept = os.dup(1)
    with Path(os.devnull).open("wb") as nowhere:
        os.dup2(nowhere.fileno(), 1)
    try:
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


def save_blend(path: Path) -> None:
    """Save the scene, to be opened and looked at."""
    import bpy

    bpy.context.preferences.filepaths.save_version = 0
    bpy.ops.wm.save_as_mainfile(filepath=str(path), compress=True)


if __name__ == "__main__":
    sys.exit(main())
