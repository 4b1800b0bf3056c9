"""A dim grey for the scan's ghost where views show the colours of attributes.

The ghost shares the scan's mesh, which is not to be altered, and what has no colours is drawn white there. A
modifier of the ghost's own gives it some, in what is drawn and nowhere else.
"""

import bpy

from .overlay import COLOURS

NAME = "Gaploft Ghost Tint"
#: Scene linear; somewhat lighter than the view behind it.
GREY = (0.10, 0.105, 0.11, 1.0)


def set_on(ghost, wanted):
    """Put the tint on the ghost, if there is one, or take it off."""
    if ghost is None:
        return
    modifier = ghost.modifiers.get(NAME)
    if wanted and modifier is None:
        modifier = ghost.modifiers.new(NAME, "NODES")
        modifier.node_group = bpy.data.node_groups.get(NAME) or _nodes()
    if not wanted and modifier is not None:
        ghost.modifiers.remove(modifier)


def _nodes():
    """Nodes that store one colour on all points."""
    group = bpy.data.node_groups.new(NAME, "GeometryNodeTree")
    for way in ("INPUT", "OUTPUT"):
        group.interface.new_socket("Geometry", in_out=way, socket_type="NodeSocketGeometry")
    start, stop, store = (
        group.nodes.new(kind)
        for kind in ("NodeGroupInput", "NodeGroupOutput", "GeometryNodeStoreNamedAttribute")
    )
    store.data_type, store.domain = "FLOAT_COLOR", "POINT"
    store.inputs["Name"].default_value = COLOURS
    next(socket for socket in store.inputs if socket.type == "RGBA").default_value = GREY
    group.links.new(start.outputs[0], store.inputs[0])
    group.links.new(store.outputs[0], stop.inputs[0])
    return group
