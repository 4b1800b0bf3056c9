"""A dim grey for the scan's ghost where views show the colours of attributes.

The ghost shares the scan's mesh, which is not to be altered. Blender 5.2 draws what has no colours white
there, where 4.3 takes the object's own colour, see-through as it is (seen in both; not looked at between). A
modifier of the ghost's own gives it some, in what is drawn and nowhere else.
"""

from typing import Any

import bpy

from .overlay import COLOURS

NAME = "Gaploft Ghost Tint"
#: The first Blender that was seen to need it; 4.3 would draw the tint black.
NEEDED_FROM = (5, 2, 0)
#: Scene linear; somewhat lighter than the view behind it.
GREY = (0.10, 0.105, 0.11, 1.0)


def set_on(ghost, wanted):
    """Put the tint on the ghost, if there is one, or take it off."""
    if ghost is None:
        return
    wanted = wanted and bpy.app.version >= NEEDED_FROM
    modifier = ghost.modifiers.get(NAME)
    if wanted and modifier is None:
        modifier = ghost.modifiers.new(NAME, "NODES")
        modifier.node_group = bpy.data.node_groups.get(NAME) or _nodes()
    if not wanted and modifier is not None:
        ghost.modifiers.remove(modifier)


def _nodes():
    """Nodes that store one colour on all points."""
    group: Any = bpy.data.node_groups.new(NAME, "GeometryNodeTree")  # type: ignore[arg-type]
    for way in ("INPUT", "OUTPUT"):
        group.interface.new_socket("Geometry", in_out=way, socket_type="NodeSocketGeometry")
    start, stop, store = (
        group.nodes.new(kind)
        for kind in ("NodeGroupInput", "NodeGroupOutput", "GeometryNodeStoreNamedAttribute")
    )
    store.data_type, store.domain = "BYTE_COLOR", "POINT"
    store.inputs["Name"].default_value = COLOURS
    next(socket for socket in store.inputs if socket.type == "RGBA").default_value = GREY
    group.links.new(start.outputs[0], store.inputs[0])
    group.links.new(store.outputs[0], stop.inputs[0])
    return group
