"""What is drawn while both ends of the damage are clicked: rings around the tube, and their distance."""

from dataclasses import dataclass

import bpy
import gpu
import numpy as np
from gpu_extras.batch import batch_for_shader

from . import pens
from .rings import Found

#: Each line is drawn twice, a dark broad one below a light thin one, to be seen on any ground.
CASING, LIVE, SET = (0.0, 0.0, 0.0, 0.75), (1.0, 1.0, 1.0, 1.0), (1.0, 0.62, 0.12, 1.0)
THIN, BROAD = 1.8, 4.5
#: How far the length is from the pointer, in pixels at scale 1.
ASIDE = 18.0


@dataclass
class Shown:
    """Rings as they are clicked: the first once it is set, and the one under the pointer in an area."""

    first: Found | None = None
    live: Found | None = None
    pointer: tuple = (0, 0)
    area: object = None
    #: What stands beside the pointer where it is not a length.
    note: str = ""

    @property
    def text(self):
        """What stands beside the pointer, or nothing."""
        return self.note if self.length_mm is None else f"{self.length_mm:.1f} mm"

    @property
    def length_mm(self):
        """Distance of both rings' centres, or None."""
        if self.first is None or self.live is None:
            return None
        return float(np.linalg.norm(self.live.ring.centre_mm - self.first.ring.centre_mm))

    @property
    def lines(self):
        """What is drawn, as pairs of points (n, 3) in world space and a colour."""
        lines = [] if self.first is None else [(closed(self.first.outline), SET)]
        if self.live is not None:
            lines.append((closed(self.live.outline), LIVE))
        if self.length_mm is not None:
            lines.append((np.array([self.first.centre, self.live.centre]), LIVE))
        return lines


class _Drawing:
    """What is drawn now and Blender's handles for it."""

    shown: Shown | None = None
    handles: tuple = ()


def begin(shown):
    """Draw in all 3D views from now on."""
    end()
    _Drawing.shown = shown
    _Drawing.handles = (
        pens.handle(_draw_rings, "POST_VIEW"),
        pens.handle(_draw_text, "POST_PIXEL"),
    )


def end():
    """Draw no more; harmless when nothing is drawn."""
    for handle in _Drawing.handles:
        pens.unhandle(handle)
    _Drawing.shown, _Drawing.handles = None, ()


def drawing():
    """Whether anything is drawn."""
    return bool(_Drawing.handles)


def _draw_rings():
    lines = _Drawing.shown.lines
    if not lines:
        return
    shader = pens.shader("POLYLINE_UNIFORM_COLOR")
    shader.bind()
    shader.uniform_float("viewportSize", gpu.state.viewport_get()[2:])
    gpu.state.blend_set("ALPHA")
    gpu.state.depth_test_set("NONE")
    scale = bpy.context.preferences.system.ui_scale
    for points, colour in lines:
        batch = batch_for_shader(shader, "LINE_STRIP", {"pos": points.astype(np.float32)})
        for width, tint in ((BROAD, CASING), (THIN, colour)):
            shader.uniform_float("lineWidth", width * scale)
            shader.uniform_float("color", tint)
            batch.draw(shader)
    gpu.state.blend_set("NONE")


def closed(outline):
    """An outline with its first point again at its end."""
    return np.concatenate([outline, outline[:1]])


def _draw_text():
    shown = _Drawing.shown
    region = bpy.context.region
    text = shown.text
    if not text or bpy.context.area != shown.area:
        return
    scale = bpy.context.preferences.system.ui_scale
    width = pens.text_width(text, scale) / scale
    x = min(shown.pointer[0] + ASIDE * scale, region.width - (width + ASIDE) * scale)
    sheet = pens.Sheet(pens.Place(round(x), round(shown.pointer[1] + ASIDE * scale), scale))
    sheet.box(-6.0, -6.0, width + 6.0, 14.0, pens.PAPER)
    sheet.text(text, 0.0, 0.0)
    sheet.made().draw()


@bpy.app.handlers.persistent
def _on_load(_file):
    """A file that is opened ends all drawing."""
    end()


def register():
    """Watch files being opened."""
    bpy.app.handlers.load_pre.append(_on_load)


def unregister():
    """Watch no more, and draw no more."""
    bpy.app.handlers.load_pre.remove(_on_load)
    end()
