"""The sidebar, under the rebuild: the shop's shelf of known tubes, and which of them fit."""

import json

from . import shelf_task
from .layout import lines, settings_column, switched
from .ops_shelf import GAPLOFT_OT_search_shelf, GAPLOFT_OT_write_shelf
from .ops_write import doing
from .words import label

#: So many files of the shelf that can't be used are named; the others are counted.
NAMED = 3


def draw_shelf(layout, scene, ways):
    """Folder, search and what it found; also while nothing is taken from the shelf."""
    body = switched(layout, ways, "shelf_on", "Shelf", ways.shelf_entry)
    if body is None:
        return
    body.active = True
    body.prop(scene.gaploft, "shelf_folder", text="")
    column = settings_column(body.column())
    column.prop(ways, "shelf_mirrored")
    column.prop(ways, "shelf_limit_mm")
    row = body.row(align=True)
    row.operator("gaploft.search_shelf", icon="VIEWZOOM")
    row.operator("gaploft.put_on_shelf", icon="FILE_NEW")
    for at_work in (GAPLOFT_OT_search_shelf, GAPLOFT_OT_write_shelf):
        if at_work.running is not None:
            text, share = doing(at_work.running)
            body.progress(factor=share, text=label("{doing} (Esc stops)").format(doing=text))
    if ways.shelf_found:
        _draw_found(body, ways, json.loads(ways.shelf_found))


def _draw_found(body, ways, found):
    """Tubes that were found, each with a button that takes it, and what could not be searched."""
    if not shelf_task.fits(found):
        text = label("Nothing fits; {count} searched").format(count=found["searched"])
        lines(body, text, icon="CANCEL")
    column = body.column(align=True)
    for candidate in found["candidates"]:
        entry = shelf_task.entry_of(candidate)
        taken = ways.shelf_entry == entry
        text = f"{candidate['name']}:  {candidate['misfit_mm']:.3f} mm"
        if candidate["mirrored"]:
            text += label(", mirrored")
        icon = "RADIOBUT_ON" if taken else "RADIOBUT_OFF"
        column.operator("gaploft.take_tube", text=text, icon=icon, depress=taken).entry = entry
    if found["too_short"]:
        text = label("{count} too short to reach across").format(count=found["too_short"])
        lines(body, text, icon="INFO")
    for name, why in found["skipped"][:NAMED]:
        lines(body, f"{name}: {why.rpartition(name)[2].strip()}", icon="ERROR")
    if len(found["skipped"]) > NAMED:
        text = label("{count} more can't be used").format(count=len(found["skipped"]) - NAMED)
        body.label(text=text, icon="BLANK1")
