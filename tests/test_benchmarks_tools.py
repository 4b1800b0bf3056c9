"""The general tools to measure against, held against closed forms: a tool used badly would flatter ours.

Tests that want a library of the benchmarks' environment skip elsewhere; ``make bench-test`` runs them all.
"""

import os
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

import plain_tube
from error_measure import surface_error
from general_tools import BrokenScan, NoRings, tools_with
from general_tools.broken_scan import MARGIN_MM, strip_faces, trusted
from general_tools.fairing import k_harmonic
from general_tools.linear_loft import linear_loft
from general_tools.outlines import angles, smooth_ring
from general_tools.rings import collars
from general_tools.thin_plate import thin_plate, thin_plate_on_cubic
from lofted import broken_tube
from truth_points import truth_points

BLENDER = os.environ.get("GAPLOFT_BLENDER_PYTHON")


def scanned(kind, gap_mm, **faults):
    case = broken_tube(kind, gap_mm, seed=5, edge_mm=1.0, **faults)
    damaged = None
    if case.damaged is not None:
        damaged = np.zeros(len(case.vertices), dtype=bool)
        damaged[case.damaged] = True
    return case, BrokenScan(case.vertices, case.faces, case.from_mm, case.to_mm, damaged)


def error_of(tool, case, scan):
    patch = tool(scan)
    return surface_error(truth_points(case), patch.vertices, patch.faces)


def test_margin_is_cut_away_and_debris_dropped():
    case, scan = scanned("round", 40.0, rim="crushed", rim_depth_mm=1.0, clumps=5)
    kept = trusted(scan)
    along = case.tube.along(case.to_tube(case.vertices))
    beyond = np.maximum(case.gap_mm[0] - along, along - case.gap_mm[1])
    assert beyond[kept].min() > MARGIN_MM - 0.1
    # a crushed rim of 5 mm and lifted clumps are gone; noise of 0.02 mm stays below 6 deviations
    assert np.abs(case.truth_error(case.vertices[kept])).max() < 6 * 0.02


def test_with_damage_on_one_side_the_other_side_is_kept():
    case, scan = scanned("round", 40.0, half_round_deg=150.0)
    along = case.tube.along(case.to_tube(case.vertices))
    between = (along > case.gap_mm[0]) & (along < case.gap_mm[1])
    assert (trusted(scan) & between).sum() > 100
    assert not trusted(scan)[case.damaged].any()


def test_smooth_ring_is_the_circle_with_less_noise():
    rng = np.random.default_rng(1)
    angle = rng.uniform(-np.pi, np.pi, 1500)
    angle = angle[(angle < 1.0) | (angle > 1.7)]  # an unseen strip
    radius = 12.0 + 0.4 * np.cos(2 * angle) + rng.normal(0.0, 0.02, len(angle))
    radius[::97] += 3.0  # strays
    error = smooth_ring(angle, radius) - 12.0 - 0.4 * np.cos(2 * angles())
    seen = (angles() < 0.95) | (angles() > 1.75)
    assert np.sqrt(np.mean(error[seen] ** 2)) < 0.01
    assert np.abs(error).max() < 0.1


def test_collars_count_angles_alike_and_lie_on_the_tube():
    case, scan = scanned("twisted_oval", 40.0, noise_mm=0.0)
    first, last = collars(scan)
    for collar in (first, last):
        error = case.truth_error(collar.ring(MARGIN_MM))
        assert np.sqrt(np.mean(error**2)) < 0.01  # half of what a scan's noise is
    way = last.ring(MARGIN_MM) - first.ring(MARGIN_MM)
    axis = (case.to_mm - case.from_mm) / np.linalg.norm(case.to_mm - case.from_mm)
    # lines from ring to ring run along the tube: the sections differ, by their twist, by a few mm only
    assert (way @ axis / np.linalg.norm(way, axis=1)).min() > 0.99


def test_a_flank_too_short_for_rings_is_named():
    vertices, faces = plain_tube.open_tube(length=120.0, n_u=121, gap=(11.0, 50.0))
    scan = BrokenScan(vertices, faces.astype(np.int32), np.array([0, 0, 11.0]), np.array([0, 0, 50.0]))
    with pytest.raises(NoRings, match="too short"):
        linear_loft(scan)


@pytest.mark.parametrize("tool", [thin_plate, thin_plate_on_cubic, linear_loft])
def test_straight_round_tube_is_right_to_the_noise(tool):
    error = error_of(tool, *scanned("round", 40.0, noise_mm=0.01, correlation_mm=1.0))
    assert error.covered == 1.0
    # of one ring or cell a good part of the noise is left, of the whole no more than there was
    assert error.rms_mm < 0.01
    assert error.max_mm < 4 * 0.01


def test_linear_loft_misses_a_bend_by_its_sagitta():
    case, scan = scanned("tight_stay", 40.0, noise_mm=0.0)
    error = error_of(linear_loft, case, scan)
    # between the rings g^2 / 8 R at most, on the inner and outer side of the bend; R is that of the loft
    gap, middle = 40.0 + 2 * MARGIN_MM, np.mean(case.gap_mm)
    ends = [case.tube.centre(middle + s * 0.5 * gap) for s in (-1, 1)]
    sagitta = np.linalg.norm(case.tube.centre(middle) - np.mean(ends, axis=0))
    assert sagitta == pytest.approx(gap**2 / (8 * 400.0), rel=0.02)
    assert error.max_mm == pytest.approx(sagitta, rel=0.08)


def test_cubic_centreline_takes_a_bend_that_a_straight_one_leaves():
    case, scan = scanned("tight_stay", 40.0)
    assert error_of(thin_plate_on_cubic, case, scan).rms_mm < 0.25 * error_of(thin_plate, case, scan).rms_mm


def waist(radius, gap, k):
    """Depth of the waist of a k-harmonic patch on a cylinder at mid-gap, in closed form.

    The even solutions of (d2/du2 - 1/R2)^k r = 0 are cosh(x), x sinh(x), x^2 cosh(x), x = u / R; value and
    first k - 1 derivatives at the ends are those of the constant R.
    """
    from numpy.polynomial import polynomial as poly

    def derivatives(order):
        """Each solution as polynomials times cosh and sinh, differentiated ``order`` times."""
        pairs = [([1.0], [0.0]), ([0.0], [0.0, 1.0]), ([0.0, 0.0, 1.0], [0.0])][:k]
        for _ in range(order):
            pairs = [(poly.polyadd(poly.polyder(c), s), poly.polyadd(poly.polyder(s), c)) for c, s in pairs]
        return pairs

    x = 0.5 * gap / radius
    system = [
        [poly.polyval(x, c) * np.cosh(x) + poly.polyval(x, s) * np.sinh(x) for c, s in derivatives(order)]
        for order in range(k)
    ]
    share = np.linalg.solve(system, [1.0] + [0.0] * (k - 1))
    return radius * (1.0 - share[0])


#: Published closed forms of the waist, mm, for (radius, gap): the same formula worked out beforehand.
@pytest.mark.parametrize(
    ("radius", "gap", "k", "depth"),
    [(16, 40, 1, 7.5273), (16, 40, 2, 1.1701), (16, 40, 3, 0.0678), (20, 80, 2, 5.7446), (8, 40, 3, 1.0547)],
)
def test_k_harmonic_patch_waists_as_the_closed_form(radius, gap, k, depth):
    pytest.importorskip("igl", reason="libigl is in the benchmarks' environment: make bench-test")
    assert waist(radius, gap, k) == pytest.approx(depth, abs=1e-4)
    n_around, step = 160, 0.5
    n_rows = round(gap / step) + 2 * k - 1
    z = (np.arange(n_rows) - 0.5 * (n_rows - 1)) * step
    turn = np.arange(n_around) * (2 * np.pi / n_around)
    grid = np.stack(
        np.broadcast_arrays(radius * np.cos(turn), radius * np.sin(turn), z[:, None]), axis=-1
    ).reshape(-1, 3)
    row = np.repeat(np.arange(n_rows), n_around)
    fixed = np.flatnonzero((row < k) | (row >= n_rows - k))
    faired = k_harmonic(grid, strip_faces(n_rows, n_around), fixed, k)
    middle = faired.reshape(n_rows, n_around, 3)[n_rows // 2]
    # k rows hand over derivatives by differences, so the clamped end lies within those rows
    found = radius - np.hypot(middle[:, 0], middle[:, 1]).mean()
    low, high = (waist(radius, gap + more, k) for more in (-step, (2 * k - 1) * step))
    assert low <= found <= high


@pytest.mark.parametrize("name", ["poisson", "vtk", "meshfix"])
def test_tools_that_know_no_tube_run_and_bridge_none(name):
    package = {"poisson": "open3d", "vtk": "vtkmodules", "meshfix": "pymeshfix"}[name]
    pytest.importorskip(package, reason=f"{package} is in the benchmarks' environment: make bench-test")
    case, scan = scanned("round", 40.0)
    patch = tools_with(None)[name].rebuild(scan)
    assert len(patch.faces) > 1000
    # the flanks are there, so the call itself went well
    assert np.quantile(np.abs(case.truth_error(patch.vertices)), 0.2) < 0.05
    assert not surface_error(truth_points(case), patch.vertices, patch.faces).bridged


@pytest.mark.skipif(
    BLENDER is None, reason="wants GAPLOFT_BLENDER_PYTHON, a Python with bpy: make bench-test"
)
def test_blender_bridges_a_straight_tube():
    error = error_of(tools_with(BLENDER)["blender"].rebuild, *scanned("round", 40.0, noise_mm=0.0))
    assert error.covered == 1.0
    # a Hermite curve between collars that were read off a scan of 1 mm facets
    assert error.rms_mm < 0.05


def test_blender_that_fails_says_so():
    case, scan = scanned("round", 40.0)
    del case
    with pytest.raises(RuntimeError, match="bridging failed"):
        tools_with(sys.executable)["blender"].rebuild(scan)
