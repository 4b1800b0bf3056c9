"""The legend in the corner of a 3D view: what the colours mean, in mm, and what they come to."""

import bpy
import numpy as np

from gaploft.errors import InputError
from gaploft.report.colours import legend_ticks, origin_rgba, srgb, tick_texts, zone_rgba

from . import overlay, pens, shown_values
from .words import label

TITLES = {
    "SCAN": "Scan off the surface, mm",
    "BAND": "95 % band, half width, mm",
    "ZONE": "Zone",
    "HAND": "Changed by hand, mm",
    "DEPTH": "Target below the outer surface, mm",
    "WALL": "Wall left under the target, mm",
    "REACH": "Left standing by the tool, mm",
    "STOCK": "Stock above the target, mm",
    "CORRECTION": "Changed to meet the flanks, mm",
    "ORIGIN": "What the patch stands on",
}
#: Values that are no lengths: names from the lowest of the legend upwards, and their colours.
NAMES = {
    "ZONE": ("Rebuilt", "Overlap over intact surface"),
    "ORIGIN": ("Fair surface of its own", "Fillet between tubes", "Loft of a tube"),
}
COLOURS = {"ZONE": zone_rgba([1, 0]), "ORIGIN": origin_rgba([2, 1, 0])}
#: What may be grey on a surface, and in which words.
UNSEEN = {
    **{"SCAN": "not seen", "STOCK": "not seen", "WALL": "not asked for", "REACH": "not asked for"},
    **{"CORRECTION": "not asked for", "DIFFERENCE": "not asked for"},
}
#: What lies above the surface that is used, by the way that it is of.
ABOVE = {
    "loft": "Loft from the flanks above this, mm",
    "donor": "Spare section above this, mm",
    "mirror": "Opposite side above this, mm",
    "shelf": "Tube from the shelf above this, mm",
}
#: Sizes in pixels at scale 1.
BAR_WIDTH, BAR_HEIGHT, SWATCH, LINE, GAP = 18.0, 160.0, 14.0, 17.0, 10.0
STEPS = 48

#: The legend of each scene as made last and what it was made of, so that a frame costs only the drawing.
_MADE: dict[str, tuple[tuple, pens.Drawing]] = {}
_HANDLES: list[object] = []


def draw():
    """Draw the legend into the 3D view that Blender is drawing."""
    context = bpy.context
    scene = context.scene
    show = scene.gaploft.show
    if show.shown not in shown_values.OVERLAYS or not context.space_data.overlay.show_overlays:
        return
    if not shown_values.surfaces(scene):
        return
    try:
        found = overlay.painted(scene)
    except InputError:  # a surface that no longer knows its values: the button says so
        return
    key = (found, pens.corner(context, right=False))
    made = _MADE.get(scene.name)
    if made is None or made[0] != key:
        made = _MADE[scene.name] = key, sheet(show, found, key[1]).made()
    made[1].draw()


def sheet(show, found, place):
    """The legend of what is shown, at a place."""
    paper = pens.Sheet(place)
    texts, boxes = _kinds(show.shown) if show.shown in NAMES else _scale(show.shown, found)
    top = max(y for _, _, y in texts) + LINE + GAP
    texts = [(label(_title(show)), 0.0, top), *texts]
    width = max(x + pens.text_width(text, place.scale) / place.scale for text, x, _ in texts)
    paper.box(-GAP, -GAP, width + GAP, top + LINE + GAP / 2, pens.PAPER)
    for box in boxes:
        paper.box(*box)
    for text, x, y in texts:
        paper.text(text, x, y)
    return paper


def _title(show):
    if show.shown != "DIFFERENCE":
        return TITLES[show.shown]
    return ABOVE[shown_values.difference_way(show.id_data)]


def _kinds(shown):
    """Texts and boxes of a few kinds, the first one lowest."""
    names, colours = NAMES[shown], srgb(COLOURS[shown])
    places = [k * LINE for k in range(len(names))]
    boxes = [(0.0, y, SWATCH, y + SWATCH - 2.0, colours[k]) for k, y in enumerate(places)]
    return [(label(names[k]), SWATCH + GAP, y + 1.0) for k, y in enumerate(places)], boxes


def _scale(shown, found):
    """Texts and boxes of a scale: from below what it comes to, swatches, the bar with its numbers."""
    scale = found.scale
    boxes: list[tuple] = []
    texts = [(text, 0.0, k * LINE) for k, text in enumerate(reversed(_figures(shown, found)))]
    y = len(texts) * LINE + GAP
    grey = shown == "SCAN" or found.worst.unseen > 0.0 or shown == "STOCK"
    swatches = [(label(UNSEEN[shown]), scale.unseen)] if shown in UNSEEN and grey else []
    far = _beyond(shown, scale)
    for name, colour in (*swatches, *reversed(far)):
        boxes.append((0.0, y, SWATCH, y + SWATCH - 2.0, _opaque(colour)))
        texts.append((name, SWATCH + GAP, y + 1.0))
        y += LINE
    y += GAP
    edges = np.linspace(0.0, BAR_HEIGHT, STEPS + 1)
    colours = srgb(scale.rgba(np.linspace(scale.low_mm, scale.high_mm, STEPS + 1)))
    for k in range(STEPS):
        boxes.append((0.0, y + edges[k], BAR_WIDTH, y + edges[k + 1], colours[k], colours[k + 1]))
    ticks = legend_ticks(scale.low_mm, scale.high_mm)
    for tick, text in zip(ticks, tick_texts(ticks, signed=scale.signed), strict=True):
        at = y + BAR_HEIGHT * (tick - scale.low_mm) / (scale.high_mm - scale.low_mm)
        boxes.append((BAR_WIDTH, at - 0.5, BAR_WIDTH + 4.0, at + 0.5, pens.WHITE))
        texts.append((text, BAR_WIDTH + GAP, at - 4.0))
    return texts, boxes


def _beyond(shown, scale):
    """Names and colours of what lies beyond a scale; one that was made for the values has nothing there."""
    if scale.signed:
        return [(label("above"), scale.above), (label("below"), scale.below)]
    return [(label("wider"), scale.above)] if shown == "BAND" else []


def _figures(shown, found):
    """What the values come to, line by line."""
    if found.span_mm is None:
        return [label("nothing seen")]
    low, high = (_number(value, signed=found.scale.signed) for value in found.span_mm)
    if shown == "WALL":
        return [label("least {mm} mm").format(mm=low)]
    if shown == "REACH":
        return [label("most {mm} mm").format(mm=high)]
    if shown in {"DEPTH", "STOCK", *shown_values.BETWEEN}:
        return [label("{low} to {high} mm").format(low=low, high=high)]
    worst = _number(found.worst.worst_mm, signed=found.scale.signed)
    return [
        label("worst {worst} mm").format(worst=worst),
        label("{share:.1%} beyond").format(share=found.worst.beyond),
    ]


def _number(value, *, signed):
    return f"{value:{'+' if signed else ''}.3f}".replace("-", "−")


def _opaque(rgb):
    return srgb(np.append(rgb, 1.0))


def register():
    """Draw into all 3D views."""
    _HANDLES.append(pens.handle(draw, "POST_PIXEL"))


def unregister():
    """Draw no more."""
    while _HANDLES:
        pens.unhandle(_HANDLES.pop())
    _MADE.clear()
