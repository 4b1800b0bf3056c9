"""What a job shows in the viewport: marks, the damaged area and the rebuilt surface."""

import bpy
import numpy as np
from mathutils import Matrix

from . import mesh_io, surface_io
from .damage_state import PARTS

ACCENT = (0.03, 0.28, 0.42, 1.0)
HALF_BAND = (0.30, 0.52, 0.12, 1.0)
WIDE_BAND = (0.85, 0.35, 0.03, 1.0)
DAMAGED = (0.70, 0.16, 0.10, 1.0)
PART_COLOURS = {
    "inner": (0.35, 0.38, 0.42, 1.0),
    "section": (0.62, 0.50, 0.30, 1.0),
    "bed": (0.55, 0.30, 0.16, 1.0),
    "flanks": (0.20, 0.45, 0.30, 1.0),
}


def show_marks(scene, damage, scan, ends_mm):
    """Two empties at the ends of a damage, moving along with the scan."""
    mm = mesh_io.unit_of(scene)[1]
    frame = _show_frame(scene, scan, scene.gaploft, "frame")
    for field, side, end in zip(("mark_from", "mark_to"), ("From", "To"), ends_mm, strict=True):
        mark = getattr(damage, field)
        if mark is None:
            mark = bpy.data.objects.new(f"{damage.name} {side}", None)
            mark.empty_display_type = "SPHERE"
            mark.show_name = True
            mark.show_in_front = True
            setattr(damage, field, mark)
        mark.empty_display_size = 0.01 * max(mesh_io.scan_extent_mm(scan, scene)) / mm
        link(scene, mark)
        mark.parent = frame
        mark.matrix_parent_inverse = mark.matrix_basis = Matrix.Identity(4)
        mark.location = np.asarray(end) / mm


def show_mark(scene, mark, name, point, *, on=None):
    """An empty at a place in world space, moving along with the scan; the one given, or a new one.

    ``on`` is another object to move along with, and the holder and field of its hidden parent.
    """
    mm = mesh_io.unit_of(scene)[1]
    scan, holder, field = on or (scene.gaploft.scan, scene.gaploft, "frame")
    if mark is None:
        mark = bpy.data.objects.new(name, None)
        mark.empty_display_type = "PLAIN_AXES"
        mark.show_name = mark.show_in_front = True
    mark.empty_display_size = 0.01 * max(mesh_io.scan_extent_mm(scan, scene)) / mm
    link(scene, mark)
    mark.parent = _show_frame(scene, scan, holder, field)
    mark.matrix_parent_inverse = mark.matrix_basis = Matrix.Identity(4)
    mark.location = mesh_io.to_own_mm(scan, scene, point) / mm
    return mark


def _show_frame(scene, scan, holder, field):
    """The hidden parent of the marks: under a visible one, Blender draws lines to its far-off origin."""
    frame = holder.live(field)
    if frame is None:
        frame = bpy.data.objects.new("Scan Frame", None)
        frame.hide_viewport = frame.hide_render = True
        setattr(holder, field, frame)
    attach(scene, frame, scan)
    return frame


def show_area(scene, damage, scan, source_vertices):
    """The damaged points of the scan as an object; none when the damage goes all the way round."""
    remove(damage.damaged_area)
    damage.damaged_area = None
    if source_vertices is None:
        return
    mesh = surface_io.area_mesh("Damaged Area", scan, source_vertices)
    mesh.materials.append(_plain_material("Gaploft Damage", DAMAGED))
    area = bpy.data.objects.new("Damaged Area", mesh)
    area["scan_vertices"] = len(scan.data.vertices)
    area.hide_render = True
    attach(scene, area, scan)
    damage.damaged_area = area


def show_surface(scene, damage, mesh):
    """The rebuilt surface as an object in the place of an earlier one, and of what was changed by hand."""
    remove(damage.result)
    remove(damage.touched)
    mesh.materials.append(_band_material("Gaploft Band", mesh))
    surface = bpy.data.objects.new("Rebuilt Surface", mesh)
    surface.color = ACCENT
    attach(scene, surface, scene.gaploft.scan)
    damage.result = surface
    return surface


def show_parts(scene, damage, meshes):
    """Meshes beside the surface, each by its field of the damage; hidden until a person wants to see them."""
    for field in PARTS:
        remove(getattr(damage, field))
        setattr(damage, field, None)
    for field, mesh in meshes.items():
        mesh.materials.append(_plain_material(f"Gaploft {mesh.name.split('.')[0]}", PART_COLOURS[field]))
        part = bpy.data.objects.new(mesh.name, mesh)
        part.color = PART_COLOURS[field]
        part.hide_render = True
        attach(scene, part, scene.gaploft.scan)
        setattr(damage, field, part)
    for layer in scene.view_layers:
        layer.update()
        for field in meshes:
            part = getattr(damage, field)
            if part.name in layer.objects:
                part.hide_set(True, view_layer=layer)


def remove(obj):
    """Take an object of ours away together with its mesh."""
    if obj is None:
        return
    mesh = obj.data
    bpy.data.objects.remove(obj)
    if mesh is not None and mesh.users == 0:
        bpy.data.meshes.remove(mesh)


def attach(scene, obj, scan):
    """Into our collection and, in the scan's own frame, under the scan."""
    link(scene, obj)
    obj.parent = scan
    obj.matrix_parent_inverse = Matrix(np.linalg.inv(mesh_io.own_size(scan)).tolist()).to_4x4()
    obj.matrix_basis = Matrix.Identity(4)


def link(scene, obj):
    """Into our collection."""
    state = scene.gaploft
    if state.collection is None:
        state.collection = bpy.data.collections.new("Gaploft")
    if state.collection not in scene.collection.children_recursive:
        scene.collection.children.link(state.collection)
    if obj.name not in state.collection.objects:
        state.collection.objects.link(obj)


def _plain_material(name, colour):
    material = bpy.data.materials.get(name) or bpy.data.materials.new(name)
    material.diffuse_color = colour
    return material


def _band_material(name, mesh):
    """Coloured by the half width of the 95 % band: from nothing to the widest on this surface."""
    material = _plain_material(name, ACCENT)
    if material.node_tree is None:  # since Blender 5.0 each has one, and asking for it warns
        material.use_nodes = True
    nodes, links = material.node_tree.nodes, material.node_tree.links
    nodes.clear()
    output = nodes.new("ShaderNodeOutputMaterial")
    shader = nodes.new("ShaderNodeBsdfPrincipled")
    ramp = nodes.new("ShaderNodeValToRGB")
    span = nodes.new("ShaderNodeMapRange")
    band = nodes.new("ShaderNodeAttribute")
    for column, node in enumerate((band, span, ramp, shader, output)):
        node.location = (300 * column, 0)
    band.attribute_name = "band95"
    widest = np.empty(len(mesh.vertices), dtype=np.float32)
    mesh.attributes["band95"].data.foreach_get("value", widest)
    span.inputs["From Max"].default_value = max(float(widest.max(initial=0.0)), 1e-6)
    ramp.color_ramp.elements[0].color = ACCENT
    ramp.color_ramp.elements[1].color = WIDE_BAND
    ramp.color_ramp.elements.new(0.5).color = HALF_BAND
    shader.inputs["Roughness"].default_value = 0.7
    shader.inputs["Specular IOR Level"].default_value = 0.1
    links.new(band.outputs["Fac"], span.inputs["Value"])
    links.new(span.outputs["Result"], ramp.inputs["Fac"])
    links.new(ramp.outputs["Color"], shader.inputs["Base Color"])
    links.new(shader.outputs["BSDF"], output.inputs["Surface"])
    return material
