"""The sidebar: the files for the machine."""

import json
from pathlib import Path

import bpy

from gaploft.report.cautions import CAUTIONS as ALL_CAUTIONS

from .export_task import exportable, size_text
from .layout import CAUTIONS, Step, lines, table
from .ops_write import GAPLOFT_OT_write_target, doing
from .panel_frame import draw_frame
from .words import label


class GAPLOFT_PT_export(Step, bpy.types.Panel):
    """The files for the machine"""

    bl_label = "6 Export"

    def draw(self, context):
        state, layout = context.scene.gaploft, self.layout
        column = layout.column(align=True)
        column.operator("gaploft.export_target", icon="EXPORT")
        if len(exportable(state)) > 1:
            column.operator("gaploft.export_all", icon="FILE_FOLDER")
        if GAPLOFT_OT_write_target.running is not None:
            text, share = doing(GAPLOFT_OT_write_target.running)
            layout.progress(factor=share, text=label("{doing} (Esc stops)").format(doing=text))
        draw_frame(layout, context.scene)
        if state.damage is not None and state.damage.exported:
            _draw_exported(layout, state.damage)
        for caution in CAUTIONS:
            lines(layout, label(caution), icon="DOT")
        header, body = layout.panel("gaploft_cautions", default_closed=True)
        header.label(text="All Cautions")
        if body is not None:
            for title, text in ALL_CAUTIONS:
                lines(body, f"{title}. {text}", icon="DOT")


def _draw_exported(layout, damage):
    """What the last export wrote."""
    last = json.loads(damage.exported)
    file, current = last["files"][0], last["built_with"] == damage.built_with
    row = layout.row()
    row.alert = not current
    row.label(
        text=label("Written:") if current else label("Rebuilt since this was written:"),
        icon="CHECKMARK" if current else "FILE_REFRESH",
    )
    lines(layout, file)
    if len(last["files"]) > 1:
        lines(layout, label("and beside it {n} more files").format(n=len(last["files"]) - 1))
    row = layout.row(align=True)
    page = next(name for name in last["files"] if name.endswith(".html"))
    row.operator("wm.path_open", text="Report", icon="URL").filepath = str(Path(last["folder"]) / page)
    row.operator("wm.path_open", text="Folder", icon="FILE_FOLDER").filepath = last["folder"]
    table(
        layout,
        (
            (label("Facets"), f"{last['facets']:,}"),
            (label("Size (mm)"), size_text(last["size_mm"])),
            (label("Checksum"), last["sha256"][:12]),
        ),
    )


CLASSES = (GAPLOFT_PT_export,)
