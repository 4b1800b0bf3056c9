"""One section in the corner of a 3D view, deviations enlarged, and a ring where it is taken."""

import bpy
import gpu
import numpy as np
from gpu_extras.batch import batch_for_shader

from gaploft.errors import InputError
from gaploft.target.section_view import round_length

from . import pens, section_data
from .words import label

#: Sizes in pixels at scale 1.
SIZE, HEAD, FOOT, LINE = 300.0, 40.0, 52.0, 17.0
#: The outline takes this share of the frame; enlarged deviations get the rest.
SHARE = 0.62
#: Comb teeth on a round tube, as a share of its radius.
TOOTH = 0.3
COMPUTED, CHANGED = (0.93, 0.93, 0.93, 1.0), (0.96, 0.62, 0.28, 1.0)
POINTS, BAND = (0.45, 0.76, 0.93, 1.0), (0.80, 0.52, 0.70, 0.38)
#: A change by hand below this is rounding, mm.
SEEN_MM = 1e-4
COMB = (0.62, 0.66, 0.70, 0.75)

#: What was made last for each scene, of what, so that a frame costs only the drawing.
_MADE: dict[str, tuple] = {}
_HANDLES: list[object] = []


def draw_inset():
    """Draw the section into the corner of the 3D view that Blender is drawing."""
    made = _made(bpy.context)
    if made is not None:
        made[1].draw()


def draw_ring():
    """Draw the ring in space where the section is taken."""
    context = bpy.context
    made = _made(context)
    if made is None:
        return
    batch, shader = made[2]
    gpu.matrix.push()
    gpu.matrix.multiply_matrix(context.scene.gaploft.damage.surface.matrix_world)
    shader.bind()
    shader.uniform_float("viewportSize", gpu.state.viewport_get()[2:])
    shader.uniform_float("lineWidth", 2.0 * context.preferences.system.ui_scale)
    shader.uniform_float("color", CHANGED)
    batch.draw(shader)
    gpu.matrix.pop()


def _made(context):
    """What is to be drawn, made anew only when something of it changed; None when there is nothing."""
    scene = context.scene
    show = scene.gaploft.show
    if not show.section_on or not context.space_data.overlay.show_overlays:
        return None
    try:
        kept = section_data.section_of(scene)
        if kept is None:
            return None
        found = kept.points
        settings = show.section_share, show.section_factor, show.section_comb, section_data.up_of(scene)
        place = pens.corner(context, right=True)
        key = kept.key, settings, place, found is None, kept.changed_mm is None, kept.version
        made = _MADE.get(scene.name)
        if made is None or made[0] != key:
            view = section_data.view_of(scene)
            key = (*key[:4], False, kept.version)
            made = _MADE[scene.name] = key, sheet(view, kept, show, place).made(), _ring(view, scene)
    except InputError:  # points were added or removed: the check says so when asked
        return None
    return made


def sheet(view, kept, show, place):
    """The drawing of a section, its frame's lower right corner at a place."""
    frame = pens.Place(round(place.x - SIZE * place.scale), place.y, place.scale)
    paper = pens.Sheet(frame)
    paper.box(0.0, 0.0, SIZE, SIZE + HEAD + FOOT, pens.PAPER)
    middle = np.array([SIZE / 2.0, FOOT + SIZE / 2.0])
    pixels = SHARE * SIZE / 2.0 / view.reach_mm
    start, end = view.pieces.T

    def on_paper(points):
        # What would leave the frame stays on its edge: a great deviation is seen to be great.
        return middle + np.clip(points * pixels, -SIZE / 2.0 + 4.0, SIZE / 2.0 - 4.0)

    low, high = on_paper(view.band_low), on_paper(view.band_high)
    paper.strips(low[start], low[end], high[end], high[start], BAND)
    if show.section_comb:
        tips = on_paper(view.comb(TOOTH * kept.rings.radius_mm**2))
        feet = on_paper(view.outline)
        every = max(1, len(tips) // 240)
        paper.strokes(feet[::every], tips[::every], COMB)
        paper.strokes(tips[start], tips[end], COMB)
    outline, changed = on_paper(view.outline), on_paper(view.changed)
    paper.strokes(outline[start], outline[end], COMPUTED)
    by_hand = not np.allclose(view.changed, view.outline, rtol=0.0, atol=SEEN_MM * view.exaggeration)
    if by_hand:
        paper.strokes(changed[start], changed[end], CHANGED)
    if len(view.points):
        paper.dots(on_paper(view.points), 2.5, POINTS)
    _write(paper, view, kept, pixels)
    for k, (text, colour) in enumerate(_names(view, kept, by_hand=by_hand)):
        paper.text(text, 10.0 + 145.0 * (k % 2), 10.0 + LINE * (1 - k // 2), colour)
    return paper


def _write(paper, view, kept, pixels):
    """Title and scale bar."""
    top = SIZE + FOOT + HEAD
    title = label("Section at {at:.1f} of {length:.1f} mm")
    paper.text(title.format(at=view.station_mm, length=kept.rings.length_mm), 10.0, top - LINE)
    paper.text(
        label("deviations × {factor:.0f}").format(factor=view.exaggeration), 10.0, top - 2 * LINE, pens.GREY
    )
    bar = round_length(0.3 * SIZE / pixels)
    right = SIZE - 12.0
    paper.box(right - bar * pixels, top - 14.0, right, top - 12.0, pens.WHITE)
    paper.text(
        label("{length:g} mm").format(length=bar), right - bar * pixels, top - 2 * LINE + 2.0, pens.GREY
    )


def _names(view, kept, *, by_hand):
    """What the colours mean, each in its own."""
    band = view.band_high - view.outline
    widest = float(np.linalg.norm(band, axis=1).max(initial=0.0)) / view.exaggeration
    points = label("scan, {count} points").format(count=len(view.points))
    if kept.looking:
        points = label("scan: looking for points")
    names = [
        (label("computed"), COMPUTED),
        (label("band ± {width:.3f} mm").format(width=widest), BAND[:3] + (1.0,)),
        (points, POINTS),
    ]
    return [*names, (label("changed by hand"), CHANGED)] if by_hand else names


def _ring(view, scene):
    """The section's line in space, in the units of the surface's mesh."""
    mm = float(scene.gaploft.damage.surface.data["gaploft_mm_per_unit"])
    ends = view.ring_mm[view.pieces].reshape(-1, 3) / mm
    shader = pens.shader("POLYLINE_UNIFORM_COLOR")
    return batch_for_shader(shader, "LINES", {"pos": ends.astype(np.float32)}), shader


def register():
    """Draw into all 3D views."""
    _HANDLES.append(pens.handle(draw_inset, "POST_PIXEL"))
    _HANDLES.append(pens.handle(draw_ring, "POST_VIEW"))


def unregister():
    """Draw no more."""
    while _HANDLES:
        pens.unhandle(_HANDLES.pop())
    _MADE.clear()
