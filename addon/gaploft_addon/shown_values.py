"""What the colours of a surface may show: where each kind of values is held, and its scale."""

from dataclasses import replace

import numpy as np

from gaploft.report.colours import signed_scale, width_scale
from gaploft.target.section_view import round_length

from . import mesh_io
from .surface_io import DEEPEST, DEPTH, ORIGIN

SCAN_DISTANCE = "scan_distance"
#: What is shown as colours of a scale or of a few kinds; the rest leaves the surface plain.
OVERLAYS = (
    *("SCAN", "BAND", "ZONE", "HAND", "DEPTH", "WALL", "REACH", "STOCK"),
    *("CORRECTION", "DIFFERENCE", "ORIGIN"),
)
#: What is no length, but one of a few kinds.
KINDS = ("ZONE", "ORIGIN")
WALL_LEFT, REACH_LEFT, STOCK = "wall_left", "reach_left", "stock"
#: Shapes beside each other, on a scale with two sides that is made for the values.
BETWEEN = ("CORRECTION", "DIFFERENCE")
#: The attribute with the correction, and those with the differences from other ways, by these.
CORRECTION, DIFFERENCE = "correction", "difference_{way}"
#: Round lengths are at most so many times apart.
TO_ROUND = 2.5
#: Colours of what is nearly the same all over are no finer than this.
LEAST_RANGE_MM = 0.01
#: What is asked for apart, by the attribute that holds it: it is shown where there is any.
ASKED_FOR = {
    **{"DEPTH": DEPTH, "WALL": WALL_LEFT, "REACH": REACH_LEFT, "STOCK": STOCK},
    **{"CORRECTION": CORRECTION, "DIFFERENCE": DIFFERENCE, "ORIGIN": ORIGIN},
}
#: The ways that a surface may differ from, by the library's names.
OTHERS = ("loft", "donor", "mirror", "shelf")


def surfaces(scene):
    """The surfaces that count, one for each damage that has any."""
    return [damage.surface for damage in scene.gaploft.damages if damage.surface is not None]


def can_show(scene, shown):
    """Whether any surface holds what would be shown."""
    attribute = attribute_of(scene, shown)
    objects = surfaces(scene)
    if shown not in ASKED_FOR or not objects:
        return bool(objects)
    if shown == "DEPTH":  # asked at every redraw of a panel, so not of all the points
        return any(obj.data.get(DEEPEST, 0.0) > 0.0 for obj in objects)
    return any(attribute in obj.data.attributes for obj in objects)


def attribute_of(scene, shown):
    """The attribute that holds what is asked for apart; None for what each surface knows."""
    if shown != "DIFFERENCE":
        return ASKED_FOR.get(shown)
    return DIFFERENCE.format(way=difference_way(scene))


def difference_way(scene):
    """The way whose difference is shown: the one that is set, or the first that is known."""
    there, wanted = differences(scene), scene.gaploft.show.difference_to.lower()
    return wanted if wanted in there or not there else there[0]


def differences(scene):
    """The ways that any surface knows its difference from."""
    return [
        way
        for way in OTHERS
        if any(DIFFERENCE.format(way=way) in obj.data.attributes for obj in surfaces(scene))
    ]


def scale_of(scene):
    """The colour scale of what is shown, or None."""
    show = scene.gaploft.show
    if show.shown in KINDS:
        return None
    # As typed, not its neighbour in single precision: the legend's numbers are to be round.
    if show.shown in {"SCAN", "HAND"}:
        return signed_scale(as_typed(show.tolerance_mm))
    if show.shown == "STOCK":
        return signed_scale(as_typed(show.stock_range_mm))
    if show.shown == "BAND":
        return width_scale(as_typed(show.tolerance_mm))
    if show.shown in BETWEEN:
        return _two_sided_scale(scene, show.shown)
    return _span_scale(scene, show.shown) if show.shown in ASKED_FOR else None


def _two_sided_scale(scene, shown):
    """A scale with as much on either side, to beyond the values."""
    spans = [_span(obj, attribute_of(scene, shown)) for obj in surfaces(scene)]
    most = max((abs(value) for span in spans for value in span), default=0.0)
    # A round length below so many times a value is never below the value.
    return signed_scale(round_length(TO_ROUND * max(most, LEAST_RANGE_MM)))


def _span_scale(scene, shown):
    """A scale from below the least to above the greatest value, thin walls in its dark end."""
    spans = [_span(obj, attribute_of(scene, shown)) for obj in surfaces(scene)]
    low = min((span[0] for span in spans), default=0.0)
    high = max((span[1] for span in spans), default=0.0)
    step = round_length(max(high - low, LEAST_RANGE_MM))
    low, high = step * np.floor(low / step), step * np.ceil(high / step)
    scale = width_scale(max(high - low, step))
    table = scale.table[::-1] if shown == "WALL" else scale.table
    return replace(scale, low_mm=low, high_mm=low + scale.high_mm, table=table, below=table[0])


def as_typed(value):
    """A setting as typed."""
    return float(f"{value:.6g}")


def _span(obj, name):
    """The least and the greatest value of an attribute, zeros where there is none."""
    with mesh_io.readable(obj) as mesh:
        attribute = mesh.attributes.get(name)
        if attribute is None:
            return 0.0, 0.0
        values = mesh_io.read(attribute.data, "value", np.float32, 1)
    values = values[np.isfinite(values)]
    return (float(values.min()), float(values.max())) if len(values) else (0.0, 0.0)
