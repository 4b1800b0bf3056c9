"""The side of the file dialog of an export: formats, what will be written, and what to mind."""

import importlib.util
import json
from pathlib import Path

from bpy.props import BoolProperty

from gaploft.report.export import names_of

from .layout import CAUTIONS, lines
from .words import label

FRAME_LINES = {
    "SCAN": "Frame: that of the scan file, wherever the object stands.",
    "POINTS": "Frame: the machine's, by three points.",
    "SPHERES": "Frame: the machine's, by fixture spheres.",
}
#: The library that a STEP file is made with.
STEP_KERNEL = "OCP"


class Formats:
    """Formats beside STL and PLY, as boxes in the dialog"""

    as_3mf: BoolProperty(
        name="3MF", description="Write the target as 3MF, too: a mesh with its unit inside", default=False
    )
    as_step: BoolProperty(
        name="STEP",
        description="Write the smooth surface as STEP, too; it is read back and held against the mesh",
        default=False,
    )

    @property
    def formats(self):
        """The formats that are ticked, by the library's names."""
        return tuple(name for name, wanted in (("3mf", self.as_3mf), ("step", self.as_step)) if wanted)

    def draw_formats(self, layout):
        """Their boxes, and why one is greyed out."""
        row = layout.row()
        row.prop(self, "as_3mf")
        side = row.row()
        side.enabled = has_kernel()
        side.prop(self, "as_step")
        if not side.enabled:
            lines(layout, label("STEP takes a CAD kernel that this Blender does not have."), icon="INFO")


def has_kernel():
    """Whether STEP files can be written."""
    return importlib.util.find_spec(STEP_KERNEL) is not None


def all_names(damage, file, formats):
    """Names of all files that will be written, as far as they are known beforehand."""
    report = json.loads(damage.report) if damage.report else {}
    endings = [f".{name}" for name in formats] + ["_flanks.ply"]
    endings += ["_inner.stl", "_section.stl"] if report.get("wall") else []
    endings += ["_bed.stl"] if report.get("bed") else []
    endings += ["_plies.dxf", "_plies.svg"] if report.get("plies") else []
    return [*names_of(file), *(f"{Path(file).stem}{ending}" for ending in endings)]


def draw_dialog(layout, scene, damage, files):
    """The side of the file dialog: what will be written, in which unit and frame, and what to mind."""
    lines(layout, label("Unit: millimetres."), icon="DRIVER_DISTANCE")
    lines(layout, label(FRAME_LINES[scene.gaploft.machine.kind]), icon="ORIENTATION_GLOBAL")
    lines(layout, label("Written, all or nothing:"), icon="FILE")
    for file in files:
        lines(layout, file, icon="BLANK1")
    if damage is not None:
        lines(layout, _depth_line(damage), icon="MOD_THICKNESS")
    for caution in CAUTIONS:
        lines(layout, label(caution), icon="DOT")


def _depth_line(damage):
    """How deep below the outer surface the target lies."""
    report = json.loads(damage.report)
    low = high = report["job"]["depth_below_outer_surface_mm"]
    if report.get("layers"):  # reports of the release before know one depth
        low, high = report["layers"]["depth_least_mm"], report["layers"]["depth_most_mm"]
    if high == 0.0:
        return label("The target is the rebuilt outer surface: no layers are set.")
    if f"{low:.3f}" == f"{high:.3f}":
        return label("The target lies {mm:.3f} mm below the rebuilt outer surface (layers).").format(mm=high)
    text = label("The target lies {low:.3f} to {high:.3f} mm below the rebuilt outer surface (layers).")
    return text.format(low=low, high=high)
