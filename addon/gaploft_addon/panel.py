"""The sidebar: the steps of a repair in the order of the work."""

import json

import blf
import bpy

from gaploft.errors import InputError

from . import mesh_io
from .ops_rebuild import STAGE_TEXTS, GAPLOFT_OT_rebuild, overall
from .task import is_stale

VERDICTS = {
    "ready": ("CHECKMARK", "Ready"),
    "check": ("ERROR", "Check by a person first"),
    "refused": ("CANCEL", "Refused: no target"),
}
SETTINGS = (
    ("overlap_mm", "Overlap (mm)"),
    ("chord_tolerance_mm", "Facets (mm)"),
    ("paint_mm", "Paint (mm)"),
    ("cover_mm", "Plies (mm)"),
)
CAUTIONS = (
    "Geometry only: no proof of strength.",
    "A qualified inspection and local rules decide on any repair.",
    "Machining carbon makes harmful, conducting dust: extract it, wear protection.",
)
#: What tabs, panel and label take of the sidebar's width, and an icon, in pixels at scale 1.
MARGIN, ICON = 62, 20


class _Step:
    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Gaploft"


class GAPLOFT_PT_scan(_Step, bpy.types.Panel):
    """The scan of the broken tube"""

    bl_label = "1 Scan"

    def draw(self, context):
        state = context.scene.gaploft
        column = _column(self.layout)
        column.prop(state, "scan")
        column.prop(state, "scan_unit")
        scan = state.live("scan") or context.active_object
        if scan is not None and scan.type == "MESH":
            size = sorted(mesh_io.scan_extent_mm(scan, context.scene), reverse=True)
            _lines(column, scan.name)
            _lines(column, " × ".join(f"{edge:.5g}" for edge in size) + " mm")
            _lines(column, f"{len(scan.data.vertices):,} points")
        else:
            _lines(column, "Import the scan and make it the active object.")


class GAPLOFT_PT_damage(_Step, bpy.types.Panel):
    """Where the tube is damaged"""

    bl_label = "2 Damage"

    def draw(self, context):
        state, layout = context.scene.gaploft, self.layout
        if state.marked:
            length = mesh_io.marked_length_mm(context.scene)
            area = state.live("damaged_area")
            side = "all round" if area is None else f"one side, {len(area.data.vertices):,} points"
            _lines(layout, f"Marked: {length:.1f} mm, {side}", icon="CHECKMARK")
        layout.label(text="Mark anew from:" if state.marked else "Mark the damage from:")
        row = layout.row(align=True)
        for way, text in (("POINTS", "Points"), ("SELECTION", "Selection"), ("PAINTED", "Painted")):
            row.operator("gaploft.mark_damage", text=text).way = way
        if state.marked:
            header, layout = layout.panel("gaploft_points", default_closed=True)
            header.label(text="From and To")
        if layout is not None:
            _draw_points(layout, state)


class GAPLOFT_PT_rebuild(_Step, bpy.types.Panel):
    """The surface across the damage and how far to trust it"""

    bl_label = "3 Rebuild"

    def draw(self, context):
        state = context.scene.gaploft
        column = _column(self.layout)
        for field, text in SETTINGS:
            column.prop(state, field, text=text)
        column.prop(state, "halves")
        if GAPLOFT_OT_rebuild.running is None:
            self.layout.operator("gaploft.rebuild", icon="MESH_CYLINDER")
        else:
            stage, share = GAPLOFT_OT_rebuild.running
            self.layout.progress(factor=overall(stage, share), text=f"{STAGE_TEXTS[stage]} (Esc stops)")
        if state.report:
            _draw_report(self.layout, json.loads(state.report), outdated=_outdated(context.scene))


class GAPLOFT_PT_check(_Step, bpy.types.Panel):
    """Changes by hand, measured"""

    bl_label = "4 Changes by Hand"

    def draw(self, context):
        _lines(
            self.layout, "If you know better: sculpt or move points of the rebuilt surface, then check again."
        )
        self.layout.operator("gaploft.recheck", icon="DRIVER_DISTANCE")
        state = context.scene.gaploft
        hand = json.loads(state.report).get("hand") if state.report else None
        if hand is None:
            return
        _table(
            self.layout,
            (
                ("Largest change", f"{hand['largest_mm']:.3f} mm"),
                ("Changed area", f"{hand['area_mm2']:.0f} mm² ({hand['share']:.1%})"),
                ("Points off band", str(hand["outside_band"])),
                ("Step at the seam", f"{hand['seam_step_mm']:.3f} mm"),
            ),
        )


class GAPLOFT_PT_export(_Step, bpy.types.Panel):
    """The files for the machine"""

    bl_label = "5 Export"

    def draw(self, _context):
        self.layout.operator("gaploft.export_target", icon="EXPORT")
        for caution in CAUTIONS:
            _lines(self.layout, caution, icon="DOT")


def _draw_points(layout, state):
    ends = layout.row()
    for end, field in (("FROM", "from_point"), ("TO", "to_point")):
        column = ends.column(align=True)
        column.prop(state, field)
        column.operator("gaploft.take_point", text="From 3D Cursor", icon="PIVOT_CURSOR").end = end


def _outdated(scene):
    """Whether the report is of another damage or other settings than those of now."""
    try:
        return is_stale(scene)
    except InputError:
        return True


def _draw_report(layout, report, *, outdated):
    icon, text = VERDICTS[report["verdict"]]
    if outdated:
        icon, text = "FILE_REFRESH", "Changed since: rebuild again"
    row = layout.row()
    row.alert = outdated or report["verdict"] != "ready"
    row.label(text=text, icon=icon)
    for warning in report["warnings"]:
        _lines(layout, warning["text"][:1].upper() + warning["text"][1:], icon="INFO")
    if report["gap"]["length_mm"] is None:
        return
    _lines(layout, CAUTIONS[0])
    _table(layout, _figures(report))
    header, body = layout.panel("gaploft_figures", default_closed=True)
    header.label(text="More Figures")
    if body is not None:
        _table(body, _more_figures(report))


def _figures(report):
    gap, band, blank = (report[key] for key in ("gap", "band95_mm", "blank_test"))
    return (
        ("Gap", f"{gap['length_mm']:.1f} mm"),
        ("95 % band", f"± {band['median']:.3f} mm"),
        ("  at its widest", f"± {band['max']:.3f} mm"),
        (f"{blank['count']} blank tests", f"{blank['rms_mm']:.3f} mm rms"),
        ("  worst spot", f"{blank['max_mm']:.3f} mm"),
        ("Seam step", f"{report['seam']['step_mm']:.3f} mm"),
    )


def _more_figures(report):
    gap, halves = report["gap"], report["halves"]
    flanks = " and ".join(f"{length:.0f}" for length in gap["flank_mm"])
    return (
        ("Diameter", f"{gap['diameter_mm']:.2f} mm"),
        ("Intact flanks", f"{flanks} mm"),
        ("Scan noise", f"{report['fit']['noise_mm']:.3f} mm"),
        ("Seam angle", f"{report['seam']['angle_deg']:.2f}°"),
        ("Halves offset", _with_spread(halves, "offset", "mm", " mm")),
        ("  angle", _with_spread(halves, "angle", "deg", "°")),
        ("  twist", _with_spread(halves, "twist", "deg", "°")),
        ("  slide", _with_spread(halves, "slide", "mm", " mm")),
    )


def _with_spread(halves, name, unit, sign):
    """A figure of the halves with its standard uncertainty, or that the tube does not show it."""
    value, spread = halves[f"{name}_{unit}"], halves.get(f"{name}_u_{unit}")
    if value is None:
        return "not seen"
    return f"{value:.3f}{sign}" if spread is None else f"{value:.3f} ± {spread:.3f}{sign}"


def _column(layout):
    layout.use_property_split = True
    layout.use_property_decorate = False
    return layout.column()


def _table(layout, rows):
    column = layout.column(align=True)
    column.scale_y = 0.85
    for name, value in rows:
        split = column.split(factor=0.5)
        split.label(text=name)
        split.label(text=value)


def _lines(layout, text, icon="NONE"):
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


CLASSES = (GAPLOFT_PT_scan, GAPLOFT_PT_damage, GAPLOFT_PT_rebuild, GAPLOFT_PT_check, GAPLOFT_PT_export)
