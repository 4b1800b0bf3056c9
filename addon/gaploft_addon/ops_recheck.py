"""Operator: measure what was changed by hand on the rebuilt surface."""

import json
from dataclasses import asdict

import bpy

from gaploft.errors import GeometryError
from gaploft.evidence.hand import hand_changes

from . import surface_io


def measure(damage):
    """Changes by hand of the surface of a damage. Raises InputError."""
    scan = damage.id_data.gaploft.live("scan")
    surface = surface_io.surface_arrays(damage.surface, scan)
    changes = hand_changes(
        surface.computed_mm,
        surface.current_mm,
        surface.normals,
        surface.band95_mm,
        surface.zone,
        surface.quads,
    )
    return surface, changes


def with_hand(report, changes):
    """A copy of a report that tells of changes by hand; unsound ones make the verdict "check"."""
    told = dict(report, hand=asdict(changes))
    told["warnings"] = [w for w in report["warnings"] if w["code"] != "hand_changes"]
    computed = report.get("hand_verdict_before", report["verdict"])
    if not changes.changed:
        return told | {"verdict": computed}
    told["warnings"].append({"code": "hand_changes", "text": sentence(changes)})
    return told | {"hand_verdict_before": computed, "verdict": computed if changes.sound else "check"}


def sentence(changes):
    """One sentence about changes by hand."""
    if not changes.changed:
        return "Nothing was changed by hand."
    parts = [
        f"by hand up to {changes.largest_mm:.3f} mm over {changes.area_mm2:.0f} mm² ({changes.share:.1%})"
    ]
    if changes.outside_band:
        points = "1 point" if changes.outside_band == 1 else f"{changes.outside_band} points"
        parts.append(f"{points} left the 95 % band by up to {changes.beyond_band_mm:.3f} mm")
    if changes.overlap_mm:
        parts.append(f"the overlap on intact surface was moved by up to {changes.overlap_mm:.3f} mm")
    if changes.folded:
        facets = "1 facet" if changes.folded == 1 else f"{changes.folded} facets"
        parts.append(f"turned over: {facets}")
    return f"Changed {'; '.join(parts)}."


class GAPLOFT_OT_recheck(bpy.types.Operator):
    """Measure what was changed by hand on the rebuilt surface, against the computed one and its band"""

    bl_idname = "gaploft.recheck"
    bl_label = "Check Again"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        damage = context.scene.gaploft.damage
        if damage is None or damage.surface is None:
            cls.poll_message_set("Rebuild the surface first")
            return False
        return True

    def execute(self, context):
        damage = context.scene.gaploft.damage
        context.view_layer.update()
        try:
            _, changes = measure(damage)
        except GeometryError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        report = with_hand(json.loads(damage.report), changes)
        damage.report = json.dumps(report)
        damage.surface["verdict"] = report["verdict"]
        self.report({"INFO"}, sentence(changes))
        return {"FINISHED"}


CLASSES = (GAPLOFT_OT_recheck,)
