"""The sidebar: the rebuild and how far to trust it."""

import json

import bpy

from gaploft.errors import InputError

from .layout import CAUTIONS, Step, lines, sentence_case, settings_column, table
from .ops_rebuild import GAPLOFT_OT_rebuild
from .panel_patch import draw_patch
from .panel_shop import draw_shop
from .panel_ways import draw_ways
from .settings import is_stale, job_of
from .stage_texts import STAGE_TEXTS, overall
from .words import label, told

VERDICTS = {
    "ready": ("CHECKMARK", "Ready"),
    "check": ("ERROR", "Check by a person first"),
    "refused": ("CANCEL", "Refused: no target"),
}
SETTINGS = (
    ("overlap_mm", "Overlap (mm)"),
    ("chord_tolerance_mm", "Facets (mm)"),
)


class GAPLOFT_PT_rebuild(Step, bpy.types.Panel):
    """The surface across the damage and how far to trust it"""

    bl_label = "3 Rebuild"

    def draw(self, context):
        state = context.scene.gaploft
        damage = state.damage
        if GAPLOFT_OT_rebuild.running is None:
            row = self.layout.row()
            row.scale_y = 1.2
            row.operator("gaploft.rebuild", icon="MESH_CYLINDER")
        else:
            stage, share = GAPLOFT_OT_rebuild.running
            text = label("{doing} (Esc stops)").format(doing=told(STAGE_TEXTS[stage]))
            self.layout.progress(factor=overall(stage, share), text=text)
        if damage is not None and damage.marked and state.live("scan") is not None:
            _draw_amiss(self.layout, context.scene, damage)
        if damage is not None and damage.report:
            outdated = _outdated(context.scene, damage)
            _draw_report(self.layout, json.loads(damage.report), damage.patch.told, outdated=outdated)
        if damage is not None:
            _draw_settings(self.layout, state, damage)
            source = json.loads(damage.report).get("source") if damage.report else None
            draw_ways(self.layout, context.scene, damage, source)
            draw_patch(self.layout, damage)
            draw_shop(self.layout, damage)


def _draw_settings(layout, state, damage):
    header, body = layout.panel("gaploft_settings", default_closed=True)
    if body is None:
        text = label("Settings: overlap {overlap:.3g}, facets {facets:.3g} mm")
        header.label(text=text.format(overlap=damage.overlap_mm, facets=damage.chord_tolerance_mm))
        return
    header.label(text="Settings")
    column = settings_column(body)
    for field, text in SETTINGS:
        column.prop(damage, field, text=text)
    column.prop(damage, "halves")
    column.prop(state, "update_live")


def _draw_amiss(layout, scene, damage):
    """Why marks and settings make no job, such as a wall that was switched on and not measured yet."""
    try:
        job_of(scene, damage)
    except InputError as error:
        lines(layout, sentence_case(str(error)), icon="ERROR")


def _outdated(scene, damage):
    """Whether the report is of another damage or other settings than those of now."""
    try:
        return is_stale(scene, damage)
    except InputError:
        return True


def _draw_report(layout, report, stands_on, *, outdated):
    icon, text = VERDICTS[report["verdict"]]
    if outdated:
        icon, text = "FILE_REFRESH", "Changed since: rebuild again"
    row = layout.row()
    row.alert = outdated or report["verdict"] != "ready"
    row.label(text=label(text), icon=icon)
    for warning in report["warnings"]:
        lines(layout, sentence_case(warning["text"]), icon="INFO")
    if stands_on:
        lines(layout, label("Patch: {on}").format(on=stands_on), icon="OUTLINER_DATA_SURFACE")
    if report["gap"]["length_mm"] is None:
        return
    lines(layout, label(CAUTIONS[0]))
    table(layout, _figures(report))
    header, body = layout.panel("gaploft_figures", default_closed=True)
    header.label(text="More Figures")
    if body is not None:
        table(body, _more_figures(report))


def _figures(report):
    gap, band, blank = (report[key] for key in ("gap", "band95_mm", "blank_test"))
    size = (label("Gap"), f"{gap['length_mm']:.1f} mm")
    if _of_patch(report):
        size = (label("Lost"), f"{gap['length_mm']:.1f} × {gap['diameter_mm']:.1f} mm")
    return (
        size,
        (label("95 % band"), f"± {band['median']:.3f} to {band['max']:.3f} mm"),
        (label("{count} blank tests").format(count=blank["count"]), f"{blank['rms_mm']:.3f} mm rms"),
    )


def _of_patch(report):
    """Whether a report is of a patch; files of an earlier release say nothing of it."""
    return report["target"].get("kind") == "patch"


def _more_figures(report):
    gap, halves = report["gap"], report["halves"]
    flanks = ", ".join(f"{length:.0f}" for length in gap["flank_mm"])
    of_any = (
        (label("Worst blank spot"), f"{report['blank_test']['max_mm']:.3f} mm"),
        (label("Seam step"), f"{report['seam']['step_mm']:.3f} mm"),
        (label("Seam angle"), f"{report['seam']['angle_deg']:.2f}°"),
        (label("Scan noise"), f"{report['fit']['noise_mm']:.3f} mm"),
    )
    if _of_patch(report):
        return of_any
    return (
        *of_any,
        (label("Diameter"), f"{gap['diameter_mm']:.2f} mm"),
        (label("Intact flanks"), f"{flanks} mm"),
        (label("Halves offset"), _with_spread(halves, "offset", "mm", " mm")),
        (label("  angle"), _with_spread(halves, "angle", "deg", "°")),
        (label("  twist"), _with_spread(halves, "twist", "deg", "°")),
        (label("  slide"), _with_spread(halves, "slide", "mm", " mm")),
    )


def _with_spread(halves, name, unit, sign):
    """A figure of the halves with its standard uncertainty, or that the tube does not show it."""
    value, spread = halves[f"{name}_{unit}"], halves.get(f"{name}_u_{unit}")
    if value is None:
        return label("not seen")
    return f"{value:.3f}{sign}" if spread is None else f"{value:.3f} ± {spread:.3f}{sign}"


CLASSES = (GAPLOFT_PT_rebuild,)
