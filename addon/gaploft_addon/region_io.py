"""What a person selected or painted on the scan, as a mask over its vertices."""

import numpy as np

from gaploft.errors import InputError

from . import mesh_io

DAMAGE_NAME = "gaploft_damage"


def selected_vertices(obj):
    """Mask of the vertices selected in edit mode, with those of selected edges and faces."""
    with mesh_io.readable(obj) as mesh:
        return mesh_io.read(mesh.vertices, "select", bool, 1)


def painted_vertices(obj):
    """Mask of the painted damage: an attribute or vertex group of that name, or the sculpt mask; or None.

    Raises InputError when the attribute is of a kind that can't say what is damaged.
    """
    with mesh_io.readable(obj) as mesh:
        return _painted(mesh, obj.vertex_groups.get(DAMAGE_NAME))


def _painted(mesh, group):
    attribute = mesh.attributes.get(DAMAGE_NAME)
    if attribute is None and group is not None:
        weight = [any(g.group == group.index and g.weight > 0.5 for g in v.groups) for v in mesh.vertices]
        return np.array(weight, dtype=bool)
    if attribute is None:
        attribute = mesh.attributes.get(mesh_io.SCULPT_MASK)
    if attribute is None:
        return None
    if attribute.data_type not in {"FLOAT", "INT", "BOOLEAN", "INT8"} or attribute.domain not in {
        "POINT",
        "FACE",
    }:
        raise InputError(
            f"the attribute {attribute.name} is {attribute.data_type} on {attribute.domain}, but the damage "
            "is read from numbers or truth values on points or faces: convert it, or mark in another way"
        )
    values = mesh_io.read(attribute.data, "value", np.float32, 1) > 0.5
    if attribute.domain == "POINT":
        return values
    corners = np.repeat(values, mesh_io.read(mesh.polygons, "loop_total", np.int32, 1))
    mask = np.zeros(len(mesh.vertices), dtype=bool)
    mask[mesh_io.read(mesh.loops, "vertex_index", np.int32, 1)[corners]] = True
    return mask
