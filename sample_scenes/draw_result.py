"""Draw the README's picture from what ``make demo`` left: the broken scan, and below it the rebuilt tube.

    .venv-blender/bin/python sample_scenes/draw_result.py

Wants a Python with the bpy wheel. Opens ``demo-out/demo.blend``, alters nothing in it and writes
``docs/rebuilt.png``.
"""

import sys
import tempfile
from pathlib import Path

import bpy  # noqa: TID251 - draws inside Blender
import numpy as np
from mathutils import Matrix  # noqa: TID251

ROOT = Path(__file__).resolve().parent.parent
BLEND = ROOT / "demo-out" / "demo.blend"
PICTURE = ROOT / "docs" / "rebuilt.png"
WIDTH, HEIGHT, LEVELS = 900, 260, 64
#: How much of the tube is shown, in lengths of the gap.
SHOWN_GAPS = 3.8
#: Orange and grey differ in lightness too, so that they part with any colour vision (orange of M. Okabe
#: and K. Ito, "Color Universal Design", 2008, linear light).
ORANGE = (0.791, 0.347, 0.0, 1.0)
OUTSIDE, INSIDE, PAPER = (0.27, 0.27, 0.28, 1.0), (0.012, 0.012, 0.013, 1.0), (0.95, 0.95, 0.95, 1.0)


def main() -> int:
    """Render both states and stack them; 1 when there was no demo yet."""
    if not BLEND.is_file():
        print("draw_result: there is no demo-out/demo.blend; run make demo first", file=sys.stderr)
        return 1
    bpy.ops.wm.open_mainfile(filepath=str(BLEND))
    scan, surface = bpy.data.objects["scan"], bpy.data.objects["Rebuilt Surface"]
    coat(scan, skin())
    coat(surface, plain(ORANGE))
    set_up_view()
    # Over intact tube, target and scan lie within the noise of each other and would show as speckles.
    lifted = surface.modifiers.new("Lifted", "DISPLACE")
    lifted.strength, lifted.mid_level = 0.1, 0.0
    rows = []
    for hidden in (True, False):
        surface.hide_render = hidden
        rows.append(rendered())
    save(np.concatenate([rows[1], rows[0]]))
    return 0


def skin() -> bpy.types.Material:
    """Grey outside and dark inside, so that one looks into the open ends of the gap."""
    material = plain(OUTSIDE)
    tree = material.node_tree
    mix, side = tree.nodes.new("ShaderNodeMix"), tree.nodes.new("ShaderNodeNewGeometry")
    mix.data_type = "RGBA"
    mix.inputs["A"].default_value, mix.inputs["B"].default_value = OUTSIDE, INSIDE
    tree.links.new(side.outputs["Backfacing"], mix.inputs["Factor"])
    tree.links.new(mix.outputs["Result"], tree.nodes["Principled BSDF"].inputs["Base Color"])
    return material


def plain(colour: tuple[float, float, float, float]) -> bpy.types.Material:
    """A dull coat of one colour."""
    material = bpy.data.materials.new("Coat")
    material.use_nodes = True
    inputs = material.node_tree.nodes["Principled BSDF"].inputs
    inputs["Base Color"].default_value, inputs["Roughness"].default_value = colour, 0.8
    return material


def coat(obj: bpy.types.Object, material: bpy.types.Material) -> None:
    """Give an object one material in place of what it has."""
    obj.data.materials.clear()
    obj.data.materials.append(material)


def set_up_view() -> None:
    """Look across the gap, a little from above and along the tube, at what is near it alone."""
    scene = bpy.context.scene
    start, stop = (bpy.data.objects[name].matrix_world.translation for name in ("Damage From", "Damage To"))
    middle, along = (start + stop) / 2, (stop - start).normalized()
    shown = SHOWN_GAPS * (stop - start).length
    old = scene.camera.matrix_world.translation - middle
    across = (old - old.dot(along) * along).normalized()
    above = across.cross(along)
    view = (across + 0.55 * above + 0.35 * along).normalized()
    camera = scene.camera
    camera.data.type, camera.data.ortho_scale = "ORTHO", shown
    # Right in the picture is the tube's own direction as seen from here.
    right = (along - along.dot(view) * view).normalized()
    turn = Matrix((right, view.cross(right), view)).transposed().to_4x4()
    camera.matrix_world = Matrix.Translation(middle + 3.0 * shown * view) @ turn
    for name, direction, strength in (("Key", view + 1.2 * above - 0.6 * along, 2.8), ("Fill", view, 0.4)):
        sun = bpy.data.objects[name]
        sun.data.energy = strength
        sun.matrix_world = Matrix.Translation(middle) @ direction.to_track_quat("Z", "Y").to_matrix().to_4x4()
    scene.world.node_tree.nodes["Background"].inputs["Color"].default_value = PAPER
    scene.world.node_tree.nodes["Background"].inputs["Strength"].default_value = 0.45


def rendered() -> np.ndarray:
    """One picture (HEIGHT, WIDTH, 4), rows from below, on white."""
    scene = bpy.context.scene
    scene.render.resolution_x, scene.render.resolution_y = WIDTH, HEIGHT
    scene.render.film_transparent = True
    scene.cycles.samples, scene.cycles.use_denoising = 32, True
    with tempfile.TemporaryDirectory(prefix="gaploft-") as folder:
        scene.render.filepath = str(Path(folder) / "row.png")
        bpy.ops.render.render(write_still=True)
        image = bpy.data.images.load(scene.render.filepath)
        pixels = np.empty(4 * WIDTH * HEIGHT, dtype=np.float32)
        image.pixels.foreach_get(pixels)
        bpy.data.images.remove(image)
    pixels = pixels.reshape(HEIGHT, WIDTH, 4)
    white = pixels[..., :3] * pixels[..., 3:] + (1.0 - pixels[..., 3:])
    # Steps too small to be seen keep the file small.
    white = np.minimum(1.0, np.round(white * LEVELS) / LEVELS)
    return np.concatenate([white, np.ones_like(white[..., :1])], axis=-1)


def save(pixels: np.ndarray) -> None:
    """Write rows from below as PNG."""
    PICTURE.parent.mkdir(exist_ok=True)
    image = bpy.data.images.new("Stacked", pixels.shape[1], pixels.shape[0])
    image.pixels.foreach_set(np.ascontiguousarray(pixels, dtype=np.float32).ravel())
    image.filepath_raw, image.file_format = str(PICTURE), "PNG"
    image.save()


if __name__ == "__main__":
    sys.exit(main())
