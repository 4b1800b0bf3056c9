"""What is wrong with a stock check before it begins, and what a person should know of one that is done."""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.checks import as_faces, as_points
from gaploft.errors import InputError
from gaploft.job import MM_PER_UNIT
from gaploft.scan.model import Note, Scan
from gaploft.stock.model import Stock, StockSettings, TargetSkin

Floats = NDArray[np.float64]

#: Sizes that differ by less than this factor from one of a unit are taken for that unit.
_UNIT_SLACK = 1.5
#: A misfit on intact surface that moves less than this is none that anybody would line up again for, mm.
_WORTH_MM = 0.01
#: With more of the target than this near the scan, both are of one place.
_SAME_PLACE = 0.5
#: Less of the target seen than this gets a note.
_SEEN_SHARE = 0.98


def check_settings(settings: StockSettings) -> None:
    """Raise InputError for settings that mean nothing."""
    for name, value in (("tolerance", settings.tolerance_mm), ("reach", settings.reach_mm)):
        if not (math.isfinite(value) and value > 0.0):
            raise InputError(f"the {name} is {value:g} mm, but must be a number of millimetres above 0")
    if not (math.isfinite(settings.uncertainty_mm) and settings.uncertainty_mm >= 0.0):
        raise InputError(
            f"the uncertainty is {settings.uncertainty_mm:g} mm, but must be a number of millimetres, 0 or "
            "more"
        )
    lower, upper = settings.limits_mm
    if math.isnan(lower) or math.isnan(upper) or not lower < upper:
        raise InputError(
            f"the lower limit is {lower:g} mm and the upper one {upper:g} mm: give a lower one below it"
        )


def check_skin(target: TargetSkin) -> None:
    """Raise ValueError for arrays that do not belong together, InputError for a target without faces."""
    points = as_points(target.vertices_mm, name="vertices_mm")
    as_faces(target.faces, len(points))
    normals = as_points(target.normals, name="normals")
    for name in ("band95_mm", "zone", "depth_mm"):
        values = getattr(target, name)
        if values is not None and len(values) != len(points):
            raise ValueError(f"{len(values)} values of {name} for {len(points)} vertices")
    if len(normals) != len(points):
        raise ValueError(f"{len(normals)} normals for {len(points)} vertices")
    if len(target.faces) == 0:
        raise InputError("the target has no facets: give the target of a rebuild, or another mesh")


def not_near(target: TargetSkin, measured: Scan, settings: StockSettings) -> str:
    """One sentence for a part that does not show the target: another unit, inside out, or somewhere else."""
    points = measured.vertices_mm
    if len(points) == 0:
        return "the measured scan has no points: export it again"
    sizes = [float(np.linalg.norm(np.ptp(p, axis=0))) for p in (points, target.vertices_mm)]
    for unit, factor in MM_PER_UNIT.items():
        for wrong in (factor, 1.0 / factor):
            off = sizes[0] * wrong / max(sizes[1], 1e-9)
            near = _distance(points * wrong, target.vertices_mm) <= settings.reach_mm
            if factor != 1.0 and near and 1.0 / _UNIT_SLACK < off < 40.0:
                return (
                    f"the measured scan would lie at the target if its numbers were {wrong:g} times as "
                    f"large: {unit} and mm seem to be mixed up, so give the right unit"
                )
    away = _distance(points, target.vertices_mm)
    if _share_near(points, target.vertices_mm, settings.reach_mm) > _SAME_PLACE:
        return (
            "the measured scan shows the target only from inside: its facets are turned inside out, or only "
            "the inside of the wall was scanned; turn them, or scan the outside"
        )
    return (
        f"hardly any of the measured scan lies within {settings.reach_mm:g} mm of the target, the nearest "
        f"point is {away:.1f} mm away: bring both into one frame, and check that this is the part"
    )


def _share_near(points: Floats, target: Floats, reach_mm: float) -> float:
    """Share of a target with points within reach."""
    some = target[:: max(1, len(target) // 20_000)]
    return float((cKDTree(points).query(some)[0] <= reach_mm).mean())


def _distance(points: Floats, target: Floats) -> float:
    """Smallest distance between two sets of points, thinned to some thousands."""
    some = points[:: max(1, len(points) // 20_000)]
    return float(cKDTree(target[:: max(1, len(target) // 20_000)]).query(some)[0].min())


def stock_notes(stock: Stock, target: TargetSkin) -> tuple[Note, ...]:
    """What a person should know before acting on a stock check."""
    notes = []
    if stock.covered_fraction < _SEEN_SHARE:
        notes.append(
            Note(
                "not_all_seen",
                f"the scan shows {100.0 * stock.covered_fraction:.0f} % of the target: nothing is known of "
                "the rest",
            )
        )
    at = stock.alignment
    if at is None:
        notes.append(
            Note(
                "not_aligned",
                "there was no intact surface to hold the part against, so nobody knows how well it lies in "
                "the target's frame",
            )
        )
    elif at.significant and not at.applied and at.moves_mm > _WORTH_MM:
        notes.append(
            Note(
                "misaligned",
                f"on intact surface the part lies {at.offset_mm:.2f} mm and {at.angle_deg:.2f} degrees off, "
                f"which moves it by {at.moves_mm:.3f} mm there: check it again aligned, or line it up in the "
                "scanning program",
            )
        )
    if at is not None and at.unseen:
        notes.append(
            Note(
                "free_directions",
                f"the intact surface does not show {', '.join(at.unseen)}: the part may lie off in it",
            )
        )
    if target.band95_mm is None:
        notes.append(
            Note("target_band_unknown", "the target is a mesh alone, so its own uncertainty counts as none")
        )
    if stock.low_spots and stock.settings.stage == "laid-up":
        notes.append(
            Note(
                "low_spots",
                f"low spots: {len(stock.low_spots)}, of {stock.low_area_mm2:.0f} mm² in all, down to "
                f"{stock.low_max_mm:.2f} mm: add laminate there before cutting is worth while",
            )
        )
    return tuple(notes)
