"""What a ball-ended tool can't follow of a patch."""

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.rim import corner_areas, facet_normals
from gaploft.job import ReachSettings
from gaploft.laminate.patch_model import PatchBed, spot
from gaploft.laminate.reach import Reach, ReachSummary, left_standing
from gaploft.patch.loops import open_edges
from gaploft.scan.model import Note
from gaploft.target.patch_layers import named_place
from gaploft.target.patch_mesh import PatchCut
from gaploft.target.patch_room import bends

Floats = NDArray[np.float64]

#: A hollow with a wider radius than this is none that a tool would notice, mm.
_FLAT_MM = 2000.0


def judge_patch_reach(cut: PatchCut, settings: ReachSettings, *, bed: PatchBed | None = None) -> Reach:
    """Follow a patch with a ball and say where it can't touch.

    ``beyond_damage_mm`` of the summary are the least and the greatest distance that the target runs beyond
    the rim of the rebuilt zone.
    """
    target, radius = cut.target, settings.tool_radius_mm
    left = left_standing(
        target.vertices_mm,
        target.normals,
        radius,
        within_mm=target.chord_error_mm,
        others=target.vertices_mm[target.triangles].mean(axis=1),
    )
    faces = target.triangles.astype(np.int64)
    n = len(target.vertices_mm)
    areas = corner_areas(np.linalg.norm(facet_normals(target.vertices_mm, faces), axis=1), faces, n)
    # Walls of a step have no normals of their own: they are left out.
    hollow = -bends(target.vertices_mm, target.normals, target.triangles[: cut.n_ground])[0]
    tightest = int(hollow.argmax())
    concave = None if hollow[tightest] * _FLAT_MM <= 1.0 else 1.0 / float(hollow[tightest])
    missed = left > 0.0
    worst = int(left.argmax())
    border = cut.from_rim_mm[np.unique(open_edges(cut.facets.faces, len(cut.facets.points)))]
    summary = ReachSummary(
        radius,
        concave,
        None if concave is None else spot(target.vertices_mm[tightest]),
        float(areas[missed].sum()),
        float(areas[missed].sum() / areas.sum()),
        float(left[worst]),
        spot(target.vertices_mm[worst]) if missed.any() else None,
        (float(border.min(initial=np.inf)), float(border.max(initial=-np.inf))),
        None if bed is None else bed.summary.slope_most_deg,
    )
    return Reach(left, summary, _notes(summary))


def _notes(summary: ReachSummary) -> tuple[Note, ...]:
    if summary.left_at is None:
        return ()
    text = (
        f"a tool of radius {summary.tool_radius_mm:g} mm can't follow {summary.unreachable_mm2:.0f} mm² of "
        f"the target and leaves up to {summary.left_most_mm:.2f} mm standing, most "
        f"{named_place(np.array(summary.left_at.point_mm))}: take a smaller one, or finish by hand"
    )
    return (Note("out_of_reach", text),)
