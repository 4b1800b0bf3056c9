"""The sidebar, under the export: in which frame files are written."""

from . import frame_job
from .layout import lines, settings_column, table
from .ops_frame import POINT_NAMES
from .words import label

FRAMES = {"SCAN": "Frame: that of the scan", "POINTS": "Frame: three points", "SPHERES": "Frame: spheres"}


def draw_frame(layout, scene):
    """The frame, folded away while it is that of the scan."""
    machine = scene.gaploft.machine
    header, body = layout.panel("gaploft_frame", default_closed=True)
    header.label(text=label(FRAMES[machine.kind]), icon="ORIENTATION_GLOBAL")
    if body is None:
        return
    body.row().prop(machine, "kind", expand=True)
    if machine.kind == "SCAN":
        return
    row = body.row(align=True)
    row.operator(
        "gaploft.add_frame_mark",
        text="Click Points" if machine.kind == "POINTS" else "Click Spheres",
        icon="RESTRICT_SELECT_OFF",
    )
    row.operator("gaploft.clear_frame_marks", text="", icon="X")
    if machine.kind == "POINTS":
        taken = {k: entry.mark for k, entry in enumerate(machine.points)}
        table(body, [(label(name), _named(taken.get(k))) for k, name in enumerate(POINT_NAMES)])
    else:
        _draw_spheres(body, machine)
    body.operator("gaploft.fit_frame", icon="ORIENTATION_LOCAL")
    found = frame_job.found(scene)
    if found is not None:
        _draw_found(body, found)


def _named(mark):
    return label("not marked") if mark is None else mark.name


def _draw_spheres(body, machine):
    column = settings_column(body.column())
    column.prop(machine, "radius_mm")
    column.prop(machine, "places")
    if not machine.spheres:
        lines(body, label("No sphere is marked yet."))
    for number, entry in enumerate(machine.spheres, start=1):
        body.label(text=label("Sphere {n}").format(n=number), icon="MESH_UVSPHERE")
        if machine.places == "KNOWN":
            body.row(align=True).prop(entry, "at_mm", text="")


def _draw_found(body, found):
    """Radius, spread and residual of each sphere; a frame by points has nothing to be judged by."""
    rows = []
    for number, sphere in enumerate(found["spheres"], start=1):
        rows.append((label("Sphere {n}").format(n=number), f"⌀ {2.0 * sphere['radius_mm']:.3f} mm"))
        rows.append((label("  centre ±"), f"{1.96 * sphere['centre_u_mm']:.3f} mm"))
        if sphere["residual_mm"] is not None:
            rows.append((label("  residual"), f"{sphere['residual_mm']:.3f} mm"))
    if found["residual_most_mm"]:
        rows.append((label("Largest residual"), f"{found['residual_most_mm']:.3f} mm"))
    table(body, rows or [(label("Frame"), label("found"))])
