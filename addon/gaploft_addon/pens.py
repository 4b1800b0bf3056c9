"""Drawing over a 3D view: boxes, lines and texts gathered once, then drawn each frame as they are."""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import blf
import bpy
import gpu
import numpy as np
from gpu_extras.batch import batch_for_shader

FONT, TEXT_SIZE = 0, 11
#: Room to the edges of the view and to Blender's own buttons, in pixels at scale 1.
MARGIN, ABOVE_REDO = 20, 48
#: Half the width of a line, and of its edge that fades out, which is how it is smoothed.
HALF, FADE = 0.7, 0.8
WHITE, GREY = (0.93, 0.93, 0.93, 1.0), (0.7, 0.7, 0.7, 1.0)
PAPER = (0.05, 0.055, 0.06, 0.92)


@dataclass(frozen=True)
class Place:
    """Where a drawing may be in a 3D view: its lower corner, in pixels, and the interface's scale."""

    x: int
    y: int
    scale: float


def corner(context, *, right):
    """The lower left or right corner of the view that no other part of the window covers."""
    sizes = {region.type: region for region in context.area.regions}
    overlap = context.preferences.system.use_region_overlap
    scale = context.preferences.system.ui_scale
    side = sizes.get("UI" if right else "TOOLS")
    covered = side.width if overlap and side is not None and side.width > 1 else 0
    shelf = sizes.get("ASSET_SHELF")
    below = shelf.height if overlap and shelf is not None and shelf.height > 1 else 0
    x = round(covered + MARGIN * scale)
    y = round(below + (MARGIN if right else ABOVE_REDO) * scale)
    return Place(context.region.width - x if right else x, y, scale)


def text_width(text, scale):
    """Width of a text in pixels."""
    blf.size(FONT, TEXT_SIZE * scale)
    return blf.dimensions(FONT, text)[0]


class Sheet:
    """Gathers what is to be drawn, in pixels at scale 1 from the place's corner."""

    def __init__(self, place):
        self._origin, self._scale = np.array([place.x, place.y], dtype=np.float64), place.scale
        self._triangles, self.texts = [], []

    def box(self, left, low, right, high, colour, top_colour=None):
        """A filled box, its colour running upwards to another one where there is one."""
        corners = np.array(
            [[left, low], [right, low], [right, high], [left, low], [right, high], [left, high]]
        )
        above = colour if top_colour is None else top_colour
        self._add(corners, np.array([colour, colour, above, colour, above, above]))

    def dots(self, points, size, colour):
        """Small squares around points, (k, 2)."""
        square = size * np.array([[-1, -1], [1, -1], [1, 1], [-1, -1], [1, 1], [-1, 1]]) / 2.0
        self._add((points[:, None, :] + square).reshape(-1, 2), colour)

    def strips(self, a, b, c, d, colour):
        """Filled quads by their corners in order, (n, 2) each."""
        self._add(np.stack([a, b, c, a, c, d], axis=1).reshape(-1, 2), colour)

    def strokes(self, starts, ends, colour):
        """Straight lines, each from one of ``starts`` to one of ``ends``, (n, 2)."""
        way = ends - starts
        way = way / np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9)
        across = np.column_stack([-way[:, 1], way[:, 0]])
        clear = (*colour[:3], 0.0)
        edges = ((-HALF - FADE, clear), (-HALF, colour), (HALF, colour), (HALF + FADE, clear))
        for (low, dim), (high, bright) in pairwise(edges):
            a, b = starts + low * across, ends + low * across
            d, c = starts + high * across, ends + high * across
            shades = np.array([dim, dim, bright, dim, bright, bright])
            self._add(np.stack([a, b, c, a, c, d], axis=1).reshape(-1, 2), np.tile(shades, (len(way), 1)))

    def text(self, text, x, y, colour=WHITE):
        """A text from a place to the right."""
        spot = np.array([x, y]) * self._scale + self._origin
        self.texts.append((text, float(spot[0]), float(spot[1]), colour))

    def corners(self):
        """All corners of what is drawn, (n, 3) in pixels."""
        return np.concatenate([points for points, _ in self._triangles])

    def made(self):
        """The drawing, ready for the graphics card."""
        colours = np.concatenate([shades for _, shades in self._triangles])
        pen = shader("SMOOTH_COLOR")
        batch = batch_for_shader(pen, "TRIS", {"pos": self.corners(), "color": colours})
        return Drawing(batch, pen, tuple(self.texts), self._scale)

    def _add(self, points, colours):
        placed = np.zeros((len(points), 3), dtype=np.float32)
        placed[:, :2] = np.asarray(points) * self._scale + self._origin
        shades = np.broadcast_to(np.asarray(colours, dtype=np.float32), (len(points), 4))
        self._triangles.append((placed, shades))


class Drawing:
    """Triangles and texts that are drawn as they are."""

    def __init__(self, batch, pen, texts, scale):
        self._batch, self._pen, self._texts, self._scale = batch, pen, texts, scale

    def draw(self):
        """Draw into the region that Blender is drawing."""
        gpu.state.blend_set("ALPHA")
        self._batch.draw(self._pen)
        gpu.state.blend_set("NONE")
        blf.size(FONT, TEXT_SIZE * self._scale)
        for text, x, y, colour in self._texts:
            blf.color(FONT, *colour)
            blf.position(FONT, x, y, 0.0)
            blf.draw(FONT, text)


def shader(name) -> Any:
    """A shader that Blender brings."""
    return gpu.shader.from_builtin(name)


def handle(draw, kind):
    """Have a function called for each 3D view that is drawn; kind is POST_PIXEL or POST_VIEW."""
    return bpy.types.SpaceView3D.draw_handler_add(draw, (), "WINDOW", kind)


def unhandle(found):
    """Have it called no more."""
    bpy.types.SpaceView3D.draw_handler_remove(found, "WINDOW")
