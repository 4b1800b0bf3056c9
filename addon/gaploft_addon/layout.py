"""What all panels of the sidebar share: their place, tables and texts that wrap."""

import blf
import bpy

from .words import label

CAUTIONS = (
    "Geometry only: no proof of strength.",
    "A qualified inspection and local rules decide on any repair.",
    "Machining carbon makes harmful, conducting dust: extract it, wear protection.",
)
#: What tabs, panel and label take of the sidebar's width, and an icon, in pixels at scale 1.
MARGIN, ICON = 62, 20


class Step:
    """Place of all our panels: a tab of the 3D view's sidebar"""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Gaploft"


def settings_column(layout):
    """A column of settings, names before values."""
    layout.use_property_split = True
    layout.use_property_decorate = False
    return layout.column()


def switched(layout, shop, field, name, text=""):
    """Header of a part that is switched on by its own tick, with a figure when it is folded; its body."""
    header, body = layout.panel(f"gaploft_{field}", default_closed=True)
    header.prop(shop, field, text=label(name))
    if text and body is None:
        side = header.row()
        side.alignment = "RIGHT"
        side.label(text=text)
    if body is not None:
        body.active = getattr(shop, field)
    return body


def table(layout, rows):
    """Rows of a name and a value."""
    column = layout.column(align=True)
    column.scale_y = 0.85
    for name, value in rows:
        split = column.split(factor=0.5)
        split.label(text=name)
        split.label(text=value)


def span_text(low_mm, high_mm, digits):
    """From the least to the greatest, or one figure where both read alike."""
    low, high = f"{low_mm:.{digits}f}", f"{high_mm:.{digits}f}"
    if low == high:
        return f"{high} mm"
    return label("{low} to {high} mm").format(low=low, high=high)


def sentence_case(text):
    """A text of the library with a capital at its head."""
    return text[:1].upper() + text[1:]


def lines(layout, text, icon="NONE"):
    """A text over as many labels as the sidebar's width asks for."""
    preferences = bpy.context.preferences
    scale = preferences.system.ui_scale
    blf.size(0, preferences.ui_styles[0].widget.points * scale)
    room = bpy.context.region.width - (MARGIN if icon == "NONE" else MARGIN + ICON) * scale
    column = layout.column(align=True)
    column.scale_y = 0.8
    for k, line in enumerate(_wrapped(text, room)):
        column.label(text=line, icon=icon if k == 0 else ("NONE" if icon == "NONE" else "BLANK1"))


def _wrapped(text, room):
    """Lines of whole words that are no wider than ``room`` pixels in the font that is set."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".lstrip()
        if lines[-1] and blf.dimensions(0, longer)[0] > room:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
