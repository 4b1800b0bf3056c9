"""What a ball-ended tool can't follow: where the target is hollow, and what would be left standing there."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gaploft.evidence.trusted_fit import TubeFit
from gaploft.job import ReachSettings
from gaploft.laminate.model import Bed, Place
from gaploft.scan.model import Note
from gaploft.target.model import Target
from gaploft.target.places import Places, whole_degrees

Floats = NDArray[np.float64]

#: Steps of letting a ball down, each of which ends on a place that it would have cut into.
_MOST_STEPS = 60
_NEAREST_BALLS = 4
#: A hollow with a wider radius than this is none that a tool would notice, mm.
_FLAT_MM = 2000.0


@dataclass(frozen=True)
class ReachSummary:
    """Reach of a tool in numbers.

    Attributes
    ----------
    concave_radius_least_mm, concave_at : the tightest hollow of the target and where; None where it has none
    unreachable_mm2, unreachable_share : area of the target that the tool can't touch
    left_most_mm, left_at : greatest height that the tool leaves standing there, at most its diameter
    beyond_damage_mm : how far the target runs past the 'from' and the 'to' end of the damage
    bed_slope_most_deg : steepest place of the bed; None without a bed
    """

    tool_radius_mm: float
    concave_radius_least_mm: float | None
    concave_at: Place | None
    unreachable_mm2: float
    unreachable_share: float
    left_most_mm: float
    left_at: Place | None
    beyond_damage_mm: tuple[float, float]
    bed_slope_most_deg: float | None


@dataclass(frozen=True)
class Reach:
    """``left_mm`` (n,) is what the tool leaves standing at each vertex of the target, 0 where it follows."""

    left_mm: Floats
    summary: ReachSummary
    notes: tuple[Note, ...] = ()


def judge_reach(
    target: Target, fit: TubeFit, settings: ReachSettings, places: Places, *, bed: Bed | None = None
) -> Reach:
    """Follow a target with a ball and say where it can't touch.

    Parameters
    ----------
    target : with ``uv`` of its vertices
    fit : the tube it was cut from
    settings : radius of the ball
    places : stations and angles of the same tube
    bed : the bed, whose slope is told

    Raises
    ------
    ValueError
        The target does not know where its vertices lie.
    """
    if target.uv is None:
        raise ValueError("a target without uv can't tell where its vertices lie")
    radius = settings.tool_radius_mm
    left = left_standing(
        target.vertices_mm,
        target.normals,
        radius,
        within_mm=target.chord_error_mm,
        others=target.vertices_mm[target.triangles].mean(axis=1),
    )
    areas = _areas(target)
    hollow = _hollow(target)
    tightest = int(hollow.argmax())
    concave = None if hollow[tightest] * _FLAT_MM <= 1.0 else 1.0 / float(hollow[tightest])
    missed = left > 0.0
    worst = int(left.argmax())
    u = target.uv[:, 0]
    summary = ReachSummary(
        radius,
        concave,
        None if concave is None else _place(target, places, tightest),
        float(areas[missed].sum()),
        float(areas[missed].sum() / areas.sum()),
        float(left[worst]),
        _place(target, places, worst) if missed.any() else None,
        (float(fit.outline.gap_mm[0] - u.min()), float(u.max() - fit.outline.gap_mm[1])),
        None if bed is None else bed.summary.slope_most_deg,
    )
    return Reach(left, summary, _notes(summary))


def left_standing(
    points: Floats, normals: Floats, radius_mm: float, *, within_mm: float, others: Floats | None = None
) -> Floats:
    """Height above each point of a surface that is left when a ball has swept all it can, (n,) mm.

    Parameters
    ----------
    points, normals : (n, 3) a surface, finely sampled, and its outward unit normals
    radius_mm : of the ball
    within_mm : the ball may cut in by this much, that of the facets, and less than it left does not count
    others : (k, 3) more places of the same surface that the ball must not cut into

    Notes
    -----
    A ball touches a point when no other place lies in it. What no ball reaches belongs to the closing of the
    solid by that ball (J. Serra, "Image Analysis and Mathematical Morphology", 1982; cited from memory).
    Over such a point the lowest of these is taken: the ball let down along the point's normal until it
    touches, and balls that touch nearby. The second is what shapes a corner, the first a groove.
    """
    surface = points if others is None else np.concatenate([points, others])
    tree = cKDTree(surface, balanced_tree=False, compact_nodes=False)
    centres = points + radius_mm * normals
    touching = tree.query(centres, workers=-1)[0] >= radius_mm - max(within_mm, 1e-9 * radius_mm)
    left = np.zeros(len(points))
    missed = np.flatnonzero(~touching)
    if len(missed) == 0:
        return left
    height = _let_down(tree, surface, points[missed], normals[missed], radius_mm)
    if touching.any():
        beside = _beside(centres[touching], points[missed], normals[missed], radius_mm)
        height = np.minimum(height, beside)
    left[missed] = np.where(height > within_mm, height, 0.0)
    return left


def _let_down(tree: cKDTree, surface: Floats, points: Floats, normals: Floats, radius: float) -> Floats:
    """How high above points a ball stays that is let down along their normals, at most its own diameter."""
    height = np.zeros(len(points))
    going = np.arange(len(points))
    for _ in range(_MOST_STEPS):
        centres = points[going] + (radius + height[going])[:, None] * normals[going]
        distance, nearest = tree.query(centres, workers=-1)
        inside = distance < radius * (1.0 - 1e-9)
        going, nearest = going[inside], nearest[inside]
        if len(going) == 0:
            break
        way = surface[nearest] - points[going]
        along = np.einsum("ij,ij->i", way, normals[going])
        across = np.maximum(np.einsum("ij,ij->i", way, way) - along**2, 0.0)
        lifted = along + np.sqrt(np.maximum(radius**2 - across, 0.0)) - radius
        height[going] = np.minimum(np.maximum(lifted, height[going] + 1e-9), 2.0 * radius)
    return height


def _beside(centres: Floats, points: Floats, normals: Floats, radius: float) -> Floats:
    """Height along the normals of points at which the nearest of the balls that touch elsewhere begin."""
    count = min(_NEAREST_BALLS, len(centres))
    _, nearest = cKDTree(centres, balanced_tree=False, compact_nodes=False).query(points, k=count, workers=-1)
    way = centres[nearest.reshape(len(points), count)] - points[:, None, :]
    along = np.einsum("ijk,ik->ij", way, normals)
    across = np.einsum("ijk,ijk->ij", way, way) - along**2
    over = across < radius**2
    height = along - np.sqrt(np.where(over, radius**2 - across, 0.0))
    return np.asarray(np.where(over, np.maximum(height, 0.0), np.inf).min(axis=1))


def _hollow(target: Target) -> Floats:
    """Curvature of the hollows along and around the tube at each vertex, 1/mm; 0 where it bulges.

    From how the normals turn from a vertex to the next, so that layers which run out count, too.
    """
    n_u, n_v = target.shape
    points = np.asarray(target.on_rings(target.vertices_mm), dtype=np.float64)
    normals = np.asarray(target.on_rings(target.normals), dtype=np.float64)
    found = np.zeros((n_u, n_v))
    for way, turn in (
        (np.diff(points, axis=0), np.diff(normals, axis=0)),
        (np.roll(points, -1, axis=1) - points, np.roll(normals, -1, axis=1) - normals),
    ):
        bend = -np.einsum("ijk,ijk->ij", way, turn) / np.maximum(np.einsum("ijk,ijk->ij", way, way), 1e-18)
        rows = len(bend)
        found[:rows] = np.maximum(found[:rows], bend)
    return np.concatenate([found.ravel(), np.zeros(len(target.vertices_mm) - n_u * n_v)])


def _areas(target: Target) -> Floats:
    """A third of each triangle's area to each of its corners, (n,)."""
    corners = target.vertices_mm[target.triangles]
    crosses = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    share = np.repeat(np.linalg.norm(crosses, axis=1) / 6.0, 3)
    return np.bincount(target.triangles.ravel(), share, minlength=len(target.vertices_mm)).astype(np.float64)


def _place(target: Target, places: Places, vertex: int) -> Place:
    assert target.uv is not None
    station, angle = places.named(*target.uv[vertex : vertex + 1].T)
    x, y, z = target.vertices_mm[vertex].tolist()
    return Place(float(station[0]), float(angle[0]), (x, y, z))


def _notes(summary: ReachSummary) -> tuple[Note, ...]:
    if summary.left_at is None:
        return ()
    at = summary.left_at
    text = (
        f"a tool of radius {summary.tool_radius_mm:g} mm can't follow {summary.unreachable_mm2:.0f} mm² of "
        f"the target and leaves up to {summary.left_most_mm:.2f} mm standing, most at station "
        f"{at.station_mm:.0f} mm and {whole_degrees(at.angle_deg)} degrees: take a smaller one, or finish "
        "by hand"
    )
    return (Note("out_of_reach", text),)
