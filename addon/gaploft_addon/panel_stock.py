"""The sidebar: the measured part against the target."""

import json

import bpy

from . import stock_task
from .layout import Step, lines, sentence_case, settings_column, table
from .ops_stock import GAPLOFT_OT_check_stock
from .words import label, told

VERDICTS = {
    "conforming": ("CHECKMARK", "Conforming"),
    "not conforming": ("CANCEL", "Not conforming"),
    "undecided": ("ERROR", "Undecided"),
}
#: What is to be done at a place, in the library's words and in those of the panel.
LABELS = (
    ("grind", "Surplus"),
    ("leave", "Within"),
    ("undecided", "Undecided"),
    ("fill", "Low"),
    ("unseen", "Not seen"),
)
#: A scan that has seen so much of the target has seen it all, but for its seams.
ALL_SEEN = 0.995
#: So many low spots are listed; the report has them all.
LISTED = 8


class GAPLOFT_PT_stock(Step, bpy.types.Panel):
    """The laid-up or machined part against the target"""

    bl_label = "7 Stock"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        damage, layout = context.scene.gaploft.damage, self.layout
        if damage is None or damage.surface is None:
            lines(
                layout, label("Once there is a target, scan the laid-up or machined part and check it here.")
            )
            return
        stock = damage.stock
        row = layout.row(align=True)
        row.prop(stock, "measured", text="")
        measured = stock.live("measured")
        if measured is not None:
            hidden = measured.hide_get()
            row.operator("gaploft.show_measured", text="", icon="HIDE_ON" if hidden else "HIDE_OFF")
        layout.operator("gaploft.import_measured", icon="IMPORT")
        column = settings_column(layout)
        column.row().prop(stock, "stage", expand=True)
        column.prop(stock, "tolerance_mm", text="Limits ± (mm)")
        column.prop(stock, "uncertainty_mm", text="Uncertain (mm)")
        column.prop(stock, "align")
        if GAPLOFT_OT_check_stock.running is None:
            row = layout.row()
            row.scale_y = 1.2
            row.operator("gaploft.check_stock", icon="MOD_DISPLACE")
        else:
            stage, share = GAPLOFT_OT_check_stock.running
            text = label("{doing} (Esc stops)").format(doing=told(stock_task.STAGE_TEXTS[stage]))
            layout.progress(factor=stock_task.overall(stage, share), text=text)
        if stock.result:
            _draw_result(layout, damage, json.loads(stock.result))


def _draw_result(layout, damage, found):
    if stock_task.outdated(damage):
        row = layout.row()
        row.alert = True
        row.label(text="Changed since: check again", icon="FILE_REFRESH")
    icon, text = _verdict(found)
    row = layout.row()
    row.alert = icon != "CHECKMARK"
    row.label(text=label(text), icon=icon)
    for note in found["notes"]:
        lines(layout, sentence_case(note["text"]), icon="INFO")
    table(
        layout,
        (
            (label("To remove"), f"{found['surplus_volume_mm3'] / 1000.0:.2f} cm³"),
            (label("Greatest surplus"), f"{found['surplus_max_mm']:.3f} mm"),
            (label("Target seen"), f"{found['covered_fraction']:.1%}"),
            *((label(name), f"{found['area_mm2'].get(key, 0.0):.0f} mm²") for key, name in LABELS),
        ),
    )
    _draw_spots(layout, found["low_spots"])
    _draw_alignment(layout, found["alignment"])
    layout.operator("gaploft.export_stock", icon="EXPORT")


def _verdict(found):
    """Icon and words: the library's of a machined part, before that whether there is enough of it."""
    if found["stage"] == "machined":
        return VERDICTS[found["verdict"]]
    if found["low_spots"]:
        return "ERROR", "Add laminate at low spots first"
    if found["covered_fraction"] < ALL_SEEN:
        return "ERROR", "Not all of the target was seen"
    return "CHECKMARK", "Material all over"


def _draw_spots(layout, spots):
    """Low spots, the deepest first, each with a button that shows it."""
    if not spots:
        layout.label(text="No low spot", icon="CHECKMARK")
        return
    column = layout.column(align=True)
    column.label(text=label("Low spots: {n}").format(n=len(spots)), icon="ERROR")
    for number, spot in enumerate(spots[:LISTED], start=1):
        text = f"{number}:  −{spot['depth_mm']:.3f} mm,  {spot['area_mm2']:.0f} mm²"
        column.operator("gaploft.look_at_spot", text=text, icon="VIEWZOOM").number = number
    if len(spots) > LISTED:
        column.label(text=label("{n} more in the report").format(n=len(spots) - LISTED), icon="BLANK1")


def _draw_alignment(layout, found):
    """How the part lies against where its flanks ask for it."""
    header, body = layout.panel("gaploft_alignment", default_closed=True)
    if found is None:
        header.label(text="Alignment: not to be told")
        return
    state = (
        "applied" if found["applied"] else "found, not applied" if found["significant"] else "nothing found"
    )
    header.label(text=label("Alignment: {state}").format(state=label(state)))
    if body is None:
        return
    rows = []
    for name, unit, sign in (
        ("offset", "mm", " mm"),
        ("angle", "deg", "°"),
        ("twist", "deg", "°"),
        ("slide", "mm", " mm"),
    ):
        value, spread = found[f"{name}_{unit}"], found[f"{name}_u_{unit}"]
        text = label("not seen") if value is None else f"{value:.3f} ± {spread:.3f}{sign}"
        rows.append((label(name.capitalize()), text))
    table(body, rows)


CLASSES = (GAPLOFT_PT_stock,)
