"""What came out of a rebuild, put into the scene: report, surface with its values, and parts beside it."""

import json

from gaploft.evidence.rim import rim_edges
from gaploft.report.numbers import as_dict, kind_of

from . import draw, look, mesh_io, patch_job, patch_told, shown_values, surface_io
from .task import values_beside


def keep(scene, damage, task, rebuilt):
    """Put the outcome of a task into the scene; return the one sentence of a refusal, or None."""
    report = as_dict(rebuilt, None)
    if rebuilt.target is not None:
        report["target"]["chord_error_mm"] = rebuilt.target.chord_error_mm
        report["target"]["kind"] = kind_of(rebuilt.target)
    damage.report = json.dumps(report)
    # Of the job that was done: settings may have been changed since it was taken out of the scene.
    damage.built_with = json.dumps([float(value) for value in task.key])
    for way in report["source"]["ways"] if report["source"] else ():
        if way["shelf"] is not None:  # the shelf was searched on the way
            damage.ways.shelf_found = json.dumps(way["shelf"])
    damage.patch.told = patch_told.standing_on(rebuilt)
    if rebuilt.target is None:
        draw.remove(damage.result)
        draw.remove(damage.touched)
        draw.show_parts(scene, damage, {})
        look.refresh(scene)
        return rebuilt.warnings[-1].text
    rims = rim_edges(rebuilt.target.facets, rebuilt.target.zone == 1)
    mesh = surface_io.surface_mesh("Rebuilt Surface", rebuilt.target, mesh_io.unit_of(scene)[1], rims)
    patch_job.write_guides(mesh, rebuilt.job.patch.guides_mm)
    _write_shop_values(mesh, rebuilt.shop)
    for name, values in values_beside(damage.uid, rebuilt).items():
        surface_io.write_values(mesh, name, values)
    surface = draw.show_surface(scene, damage, mesh)
    surface["verdict"] = rebuilt.verdict
    surface["gap_mm"] = rebuilt.evidence.gap.length_mm
    surface["band95_max_mm"] = rebuilt.evidence.band95_mm.max
    draw.show_parts(scene, damage, _parts(rebuilt.shop, mesh_io.unit_of(scene)[1]))
    look.refresh(scene)
    return None


def _write_shop_values(mesh, shop):
    """What is known of wall and reach at the surface's vertices."""
    if shop is None:
        return
    if shop.wall is not None:
        surface_io.write_values(mesh, shown_values.WALL_LEFT, shop.wall.left_mm)
    if shop.reach is not None:
        surface_io.write_values(mesh, shown_values.REACH_LEFT, shop.reach.left_mm)


def _parts(shop, mm):
    """Meshes of what the workshop gets beside the target, by the fields of a damage."""
    if shop is None:
        return {}
    points, normals = shop.flanks
    parts = {"flanks": surface_io.flanks_mesh("Intact Flanks", points, normals, mm)} if len(points) else {}
    if shop.wall is not None:
        inner, section = shop.wall.inner, shop.wall.section
        parts["inner"] = surface_io.part_mesh("Inner Surface", inner.vertices_mm, inner.triangles, mm)
        parts["section"] = surface_io.part_mesh("Missing Section", section.vertices_mm, section.triangles, mm)
    if shop.bed is not None:
        parts["bed"] = surface_io.part_mesh("Bed", shop.bed.vertices_mm, shop.bed.triangles, mm)
    return parts
