"""Operator: measure what was changed by hand on the rebuilt surface."""

import json
from dataclasses import asdict

import bpy

from gaploft.errors import GeometryError
from gaploft.evidence.hand import hand_changes

from . import polls, surface_io, touch_io
from .words import told


def measure(damage):
    """Changes by hand of the surface of a damage. Raises InputError."""
    surface = surface_io.surface_arrays(damage.surface, damage.id_data.gaploft.live("scan"))
    seam = json.loads(damage.report)["seam"]
    changes = hand_changes(
        surface.computed_mm,
        surface.current_mm,
        surface.normals,
        surface.band95_mm,
        surface.zone,
        surface.facets,
        seam=(seam["step_mm"], seam["angle_deg"]),
    )
    return surface, changes


def check(damage):
    """Measure the changes by hand and write them into the report of a damage. Raises InputError."""
    _, changes = measure(damage)
    report = with_hand(json.loads(damage.report), changes)
    damage.report = json.dumps(report)
    damage.surface["verdict"] = report["verdict"]
    return changes


def with_hand(report, changes):
    """A copy of a report that tells of changes by hand; unsound ones make the verdict "check"."""
    known = dict(report, hand=asdict(changes))
    known["warnings"] = [w for w in report["warnings"] if w["code"] != "hand_changes"]
    computed = report.get("hand_verdict_before", report["verdict"])
    if not changes.changed:
        return known | {"verdict": computed}
    # The report is in one language, whatever that of the interface.
    known["warnings"].append({"code": "hand_changes", "text": sentence(changes, say=str)})
    return known | {"hand_verdict_before": computed, "verdict": computed if changes.sound else "check"}


def sentence(changes, say=told):
    """One sentence about changes by hand."""
    if not changes.changed:
        return say("Nothing was changed by hand.")
    largest = say("by hand up to {mm:.3f} mm over {area:.0f} mm² ({share:.1%})")
    parts = [largest.format(mm=changes.largest_mm, area=changes.area_mm2, share=changes.share)]
    if changes.outside_band:
        points = say("1 point") if changes.outside_band == 1 else say("{n} points")
        left = say("{points} left the 95 % band by up to {mm:.3f} mm")
        parts.append(left.format(points=points.format(n=changes.outside_band), mm=changes.beyond_band_mm))
    if changes.overlap_mm:
        text = say("the overlap on intact surface was moved by up to {mm:.3f} mm")
        parts.append(text.format(mm=changes.overlap_mm))
    if not changes.seam_holds:
        text = say("a seam no longer holds, a step of {mm:.3f} mm and an angle of {deg:.2f}° were added")
        parts.append(text.format(mm=changes.seam_step_mm, deg=changes.seam_angle_deg))
    if changes.folded:
        facets = say("1 facet") if changes.folded == 1 else say("{n} facets")
        parts.append(say("turned over: {facets}").format(facets=facets.format(n=changes.folded)))
    return say("Changed {parts}.").format(parts="; ".join(parts))


class GAPLOFT_OT_recheck(bpy.types.Operator):
    """Measure in mm what the hand changed against the computed surface, its band and seams, for the report"""

    bl_idname = "gaploft.recheck"
    bl_label = "Check Again"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        return polls.surface_there(cls, context)

    def execute(self, context):
        context.view_layer.update()
        try:
            with touch_io.busy(context):
                changes = check(context.scene.gaploft.damage)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self.report({"INFO"}, sentence(changes))
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_recheck,)
