"""The sidebar, under the rebuild: where the lost shape comes from, and how the ways compare."""

import bpy

from . import shown_values
from .layout import lines, settings_column, switched
from .panel_shelf import draw_shelf
from .ways_job import TITLES
from .ways_state import CHOICES
from .words import label

ICONS = {"ready": "CHECKMARK", "check": "ERROR", "refused": "CANCEL"}
VERDICTS = {"ready": "ready", "check": "check it", "refused": "refused"}
#: What the first column of the table of ways takes of its width.
HEAD = 0.31


class GAPLOFT_UL_regions(bpy.types.UIList):
    """Stretches of the damage that another way is used for: from, to, and which"""

    def draw_item(self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "from_mm", text="", emboss=False)
        row.prop(item, "to_mm", text="", emboss=False)
        row.prop(item, "use", text="", emboss=False)


def draw_ways(layout, scene, damage, source):
    """All of it, folded away until it is wanted; ``source`` is what the report tells of the ways, or None."""
    header, body = layout.panel("gaploft_ways", default_closed=True)
    used = TITLES[source["used"]] if source else None
    if body is None and used is not None and len(source["ways"]) > 1:
        header.label(text=label("Shape from: {way}").format(way=label(used)))
    else:
        header.label(text="Where the Shape Comes From")
    if body is None:
        return
    ways = damage.ways
    _draw_donor(body, ways)
    _draw_mirror(body, ways)
    draw_shelf(body, scene, damage.ways)
    if ways.asked:
        column = body.column()
        column.label(text="Use:")
        row = column.row(align=True)
        for way, *_ in CHOICES:
            if way in {"BEST", "LOFT", *ways.asked}:
                row.prop_enum(ways, "use", way)
    if source and len(source["ways"]) > 1:
        _draw_table(body, source)
        _draw_maps(body, scene)
    if ways.asked:
        _draw_regions(body, ways)


def _draw_donor(layout, ways):
    body = switched(layout, ways, "donor_on", "Spare Section")
    if body is None:
        return
    row = body.row(align=True)
    row.prop(ways, "donor", text="")
    row.operator("gaploft.import_donor", text="", icon="IMPORT")
    column = settings_column(body.column())
    column.prop(ways, "donor_mirrored")
    column.prop(ways, "donor_limit_mm")
    row = body.row(align=True)
    row.operator("gaploft.mark_donor", icon="PIVOT_CURSOR")
    if ways.live("mark_on_donor") is not None:
        row.operator("gaploft.clear_donor_marks", text="", icon="X")


def _draw_mirror(layout, ways):
    body = switched(layout, ways, "mirror_on", "Opposite Side")
    if body is None:
        return
    column = settings_column(body)
    column.prop(ways, "mirror_plane")
    if ways.live("mirror_plane") is None:
        lines(body, label("Without a plane it is looked for in the scan."))
    column.prop(ways, "mirror_limit_mm")


def _draw_table(layout, source):
    """All ways that were tried: verdict, blank test, band, and how far another part had to be changed."""
    column = layout.column(align=True)
    column.scale_y = 0.85
    _draw_row(column, label("All in mm"), (label("Blank"), label("Band"), label("Change")))
    for way in source["ways"]:
        name, verdict = label(TITLES[way["name"]]), label(VERDICTS[way["verdict"]])
        row = column.row()
        row.alert = way["verdict"] == "refused"
        row.label(text=f"{name}: {verdict}", icon=ICONS[way["verdict"]])
        if way["refused"]:
            lines(column, way["refused"], icon="BLANK1")
            continue
        change = way["correction"]
        figures = (
            f"{way['blank_test']['p95_mm']:.3f}",
            f"{way['band95_mm']['median']:.3f}",
            "–" if change is None else f"{change['max_mm']:.3f}",
        )
        _draw_row(column, "", figures)
    _draw_chosen(layout, source)


def _draw_row(column, head, figures):
    split = column.split(factor=HEAD)
    split.label(text=head)
    row = split.row()
    for figure in figures:
        row.label(text=figure)


def _draw_chosen(layout, source):
    """Which way is recommended, and which is used where that is another."""
    best, used = source["recommended"], source["used"]
    if best is None:
        layout.label(text="No way leads to a target", icon="CANCEL")
        return
    text = label("Recommended: {way}").format(way=label(TITLES[best]))
    if best == used:
        text += label(", used")
    layout.label(text=text, icon="SOLO_ON")
    if best != used:
        layout.label(text=label("Used: {way}").format(way=label(TITLES[used])), icon="RIGHTARROW")
    if source["mixed_with"]:
        names = ", ".join(label(TITLES[name]) for name in source["mixed_with"])
        layout.label(text=label("In regions: {ways}").format(ways=names), icon="BLANK1")


def _draw_maps(layout, scene):
    """Buttons for the colours that tell of the ways."""
    row = layout.row(align=True)
    for shown, text in (("DIFFERENCE", "Difference"), ("CORRECTION", "Changed")):
        if shown_values.can_show(scene, shown):
            pressed = scene.gaploft.show.shown == shown
            button = row.operator("gaploft.show_values", text=label(text), depress=pressed)
            button.shown = "NONE" if pressed else shown


def _draw_regions(layout, ways):
    header, body = layout.panel("gaploft_regions", default_closed=True)
    count = len(ways.regions)
    header.label(text=label("Regions: {count}").format(count=count) if count else "Mix by Region")
    if body is None:
        return
    lines(body, label("Stations in mm from the From end of the damage; later ones go over earlier ones."))
    row = body.row()
    row.template_list("GAPLOFT_UL_regions", "", ways, "regions", ways, "region_index", rows=2)
    buttons = row.column(align=True)
    buttons.operator("gaploft.add_region", text="", icon="ADD")
    buttons.operator("gaploft.remove_region", text="", icon="REMOVE")


CLASSES = (GAPLOFT_UL_regions,)
