"""Whole patches: on junctions of a CAD kernel, and what is refused before anything is fitted."""

import numpy as np
import pytest

from gaploft.errors import InputError
from gaploft.job import Damage
from gaploft.job_patch import PatchSettings
from gaploft.patch.rebuilt import cut_around, damaged_mask, rebuild_patch
from gaploft.scan.model import Scan, ScanSource
from junctions import CASES
from patch_shapes import sheet


def scan_of(points, faces):
    """A scan, its normals weighted by area."""
    corner = points[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    normals = np.stack(
        [np.bincount(faces.ravel(), np.repeat(across[:, k], 3), minlength=len(points)) for k in range(3)],
        axis=1,
    )
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    source = ScanSource("made for a test", "", "mm", len(points), len(faces))
    return Scan(points, faces, normals, np.arange(len(points), dtype=np.int32), source)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "kind", "bound_mm"),
    [
        ("tee_main_edge", "tubes", 0.015),
        # A fillet of 15 mm: its discs were lost half way round, and the tubes with them.
        ("tee_crown", "tubes", 0.03),
        # One on a thin tapered tube.
        ("cone_stay_side", "tubes", 0.03),
        ("saddle", "fair", 0.005),
        ("flare", "fair", 0.05),
        # A tube that bends so much that blanks come back better from a fair surface.
        ("torus_tight", "fair", 0.04),
    ],
)
def test_a_junction_is_rebuilt_within_its_band(name, kind, bound_mm):
    """Errors are normal distances of the kernel's own surface, at places spread evenly over the patch."""
    case = CASES[name](seed=1)
    scan = scan_of(case.vertices_mm, case.faces)
    marked = np.zeros(len(scan.vertices_mm), dtype=bool)
    marked[case.damaged] = True
    stage = rebuild_patch(scan, damage(marked), PatchSettings(use="always"))
    assert stage.kind == kind
    error = stage.fit.surface.against(case.patch_points_mm).distance
    assert np.sqrt(np.mean(error**2)) < bound_mm
    assert stage.assessed is not None
    near = stage.fit.nodes.tree.query(case.patch_points_mm)[1]
    assert (np.abs(error) <= stage.assessed.band95_mm[near]).mean() >= 0.8


def damage(marked=None):
    nowhere = np.full(3, np.nan)
    return Damage(nowhere, nowhere, None if marked is None else np.flatnonzero(marked))


def flat_scan(width=60.0):
    points, faces = sheet(width, width, 2.0)
    return scan_of(points, faces), np.hypot(*points[:, :2].T)


def test_a_patch_needs_a_mark():
    scan, away = flat_scan()
    with pytest.raises(InputError, match="give a mask of damaged vertices, or draw an outline"):
        damaged_mask(scan, damage(), PatchSettings())
    with pytest.raises(InputError, match="no damaged vertex is marked"):
        cut_around(scan, away < -1.0)
    np.testing.assert_array_equal(damaged_mask(scan, damage(away < 7.0), PatchSettings()), away < 7.0)


def test_a_drawn_outline_marks_what_is_inside():
    scan, away = flat_scan()
    turn = 2 * np.pi * np.arange(40) / 40
    loop = 12.0 * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(40)])
    marked = damaged_mask(scan, damage(), PatchSettings(outlines_mm=(loop,)))
    assert marked[away < 9.0].all()
    assert not marked[away > 15.0].any()


def test_damage_too_wide_for_a_patch_is_refused():
    scan, away = flat_scan(200.0)
    with pytest.raises(InputError, match="a patch is at most 160 mm"):
        cut_around(scan, away < 85.0)


def test_a_mark_beside_all_faces_is_refused():
    scan, away = flat_scan()
    points = np.concatenate([scan.vertices_mm, [[900.0, 0.0, 0.0]]])
    lone = scan_of(points, scan.faces)
    with pytest.raises(InputError, match="belong to no faces"):
        cut_around(lone, np.append(np.zeros(len(away), bool), True))


def test_the_cut_keeps_to_what_is_near():
    scan, away = flat_scan(180.0)
    region, spacing = cut_around(scan, away < 8.0)
    # 0.8 of the width and 18 mm: less than the least reach of 36 mm.
    assert region.away_mm.max() <= 36.0
    assert np.hypot(*region.points[:, :2].T).max() < 8.0 + 36.0
    assert spacing == 1.3
