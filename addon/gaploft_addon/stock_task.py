"""One check of a measured part between Blender and the library: what goes in, the work, what comes back."""

import json
import zlib
from dataclasses import asdict, dataclass

import numpy as np
from mathutils import Vector

from gaploft.errors import InputError
from gaploft.stock.check import check_stock
from gaploft.stock.model import STOCK_STAGES, StockSettings, TargetSkin
from gaploft.target.section_view import round_length

from . import look, mesh_io, shown_values, surface_io, view
from .raw_scan import RawScan, raw_arrays
from .shop_job import plain
from .target_io import target_of
from .words import told

STAGE_TEXTS = {
    "read": "reading the measured scan",
    "align": "lining the part up",
    "map": "measuring the stock",
    "judge": "judging the part",
    "write": "writing the report",
}

#: How the part lies against where its flanks ask for it: values and their standard uncertainties.
ALIGNMENT = (
    *("offset_mm", "offset_u_mm", "angle_deg", "angle_u_deg"),
    *("twist_deg", "twist_u_deg", "slide_mm", "slide_u_mm"),
)


def overall(stage, share):
    """Share of the whole work done, each stage counted alike."""
    return (STOCK_STAGES.index(stage) + share) / len(STOCK_STAGES)


def doing(news):
    """What is being done, in words, and as a share of the whole."""
    stage, share = news
    whole = overall(stage, share)
    return told("Gaploft is {doing}, {share:.0%}").format(doing=told(STAGE_TEXTS[stage]), share=whole), whole


@dataclass(frozen=True)
class Task:
    """All that one check needs, taken out of Blender before the work begins."""

    uid: int
    built: str
    skin: TargetSkin
    measured: RawScan
    settings: StockSettings

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread."""
        progress("read", 0.0)
        measured = self.measured.mended(lambda _stage, share: progress("read", share))
        return check_stock(self.skin, measured, self.settings, progress=progress)


def task_of(scene, damage):
    """Take target and measured scan of a damage out of a scene. Raises InputError."""
    state, stock = scene.gaploft, damage.stock
    measured, scan = stock.live("measured"), state.live("scan")
    if scan is None:
        raise InputError(told("the scan is gone, whose frame the target is in: import it again"))
    if measured == scan:
        raise InputError(
            told(
                "the measured scan is the one that was rebuilt from: choose the scan of the part as it is now"
            )
        )
    if not len(measured.data.polygons):
        text = told("'{name}' holds no faces: a scan must be a triangle mesh")
        raise InputError(text.format(name=measured.name))
    _, _, _, target = target_of(damage)
    flank_points, flank_normals = surface_io.flanks_arrays(damage.live("flanks")) or (None, None)
    on_rings = target.ringed and len(target.vertices_mm) == target.shape[0] * target.shape[1]
    skin = TargetSkin(
        target.vertices_mm,
        target.triangles,
        target.normals,
        target.band95_mm,
        target.zone,
        target.depth_mm,
        flank_points,
        flank_normals,
        target.shape if on_rings else None,
    )
    seen = raw_arrays(scene, measured, *mesh_io.arrays_seen_from(scan, measured))
    settings = StockSettings(
        tolerance_mm=plain(stock.tolerance_mm),
        uncertainty_mm=plain(stock.uncertainty_mm),
        align=stock.align,
        stage=stock.stage,
    )
    return Task(damage.uid, built(damage), skin, seen, settings)


def figures(stock):
    """What there is to tell of a check, as JSON knows it."""
    align, decision = stock.alignment, stock.decision
    return {
        "stage": stock.settings.stage,
        "limits_mm": [decision.lower_mm, decision.upper_mm],
        "verdict": decision.verdict,
        "rule": decision.rule,
        "area_mm2": decision.area_mm2,
        "covered_fraction": stock.covered_fraction,
        "surplus_volume_mm3": stock.surplus_volume_mm3,
        "surplus_max_mm": stock.surplus_max_mm,
        "surplus_at_mm": stock.surplus_at_mm,
        "low_area_mm2": stock.low_area_mm2,
        "low_spots": [asdict(spot) for spot in stock.low_spots],
        "uncertainty_mm": stock.budget.combined_mm,
        "alignment": None
        if align is None
        else {name: getattr(align, name) for name in (*ALIGNMENT, "significant", "applied")},
        "notes": [{"code": note.code, "text": note.text} for note in stock.notes],
    }


def outdated(damage):
    """Whether the surface was rebuilt or changed by hand since the part was held against it."""
    return damage.stock.of_surface != built(damage)


def built(damage):
    """What tells one state of a surface from another: its points, and what it was built with."""
    points = zlib.crc32(mesh_io.positions(damage.surface.data))
    return f"{points:08x}{zlib.crc32(damage.built_with.encode()):08x}"


def keep(scene, damage, task, stock):
    """Put what was found into the scene: figures, and the map on the target."""
    damage.stock.result = json.dumps(figures(stock))
    damage.stock.of_surface = task.built
    surface_io.write_values(damage.surface.data, shown_values.STOCK, stock.stock_mm)
    # Changing the range paints, so it comes last.
    scene.gaploft.show.stock_range_mm = round_length(
        shown_values.TO_ROUND * max(stock.surplus_max_mm, stock.low_max_mm, 0.01)
    )
    look.refresh(scene)


def show_place(context, place_mm, around_mm):
    """Turn the views to a place of the target, (3,) mm in the scan's own frame, and put the cursor there."""
    scene = context.scene
    scan, mesh = scene.gaploft.scan, scene.gaploft.damage.surface.data
    mm = mesh_io.unit_of(scene)[1]
    placed = mesh_io.placement(scan)
    computed = mm * mesh_io.positions(mesh).astype(np.float64)
    nearest = int(((computed - place_mm) ** 2).sum(axis=1).argmin())
    outward = mesh.attributes["computed_normal"].data[nearest].vector
    world = placed @ Vector(np.asarray(place_mm) / mm)
    scene.cursor.location = world
    view.look_at(context, world, placed.to_3x3() @ outward, around_mm / mm)
