"""The general tools for patches, held against closed forms: a tool used badly would flatter ours.

Tests that want a library of the benchmarks' environment skip elsewhere; ``make bench-test`` runs them all.
"""

import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.polynomial import polynomial as poly
from scipy.spatial import Delaunay

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

import patch_tools.measured as measured
from error_measure import TruthPoints, surface_error
from gaploft.errors import InputError
from junctions import JunctionCase
from patch_tools import MARGIN_MM, TOOLS, NoAnswer, PatchScan, Sheet
from patch_tools.broken_patch import compacted
from patch_tools.filling import filled
from patch_tools.height import carried_on
from patch_tools.loops import rim_and_lids, strip
from patch_tools.quadrics import on_quadrics, spread
from patch_tools.report import by_case, by_half, report
from patch_tools.runner import Errand, run

#: Somewhere in space, so that no tool profits from the axes.
TURNED = np.linalg.qr(np.random.default_rng(7).normal(size=(3, 3)))[0]
TURNED *= np.sign(np.linalg.det(TURNED))
MOVED = np.array([30.0, -20.0, 50.0])
EDGE_MM = 1.2


def field(half_mm, *, seed=1):
    """Scattered points of a square, (n, 2), and triangles over them, anticlockwise from above."""
    line = np.arange(-half_mm, half_mm + 1e-9, EDGE_MM)
    x, y = np.meshgrid(line, line)
    flat = np.stack([x.ravel(), y.ravel()], axis=1)
    inner = np.abs(flat).max(axis=1) < half_mm - 0.5 * EDGE_MM
    flat[inner] += np.random.default_rng(seed).uniform(-0.25, 0.25, (inner.sum(), 2)) * EDGE_MM
    faces = Delaunay(flat).simplices
    corner = flat[faces]
    one, two = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    area = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    faces[area < 0] = faces[area < 0][:, ::-1]
    return flat, faces[np.abs(area) > 1e-6].astype(np.int64)


def scanned(points, faces, marked, lost):
    """Points as marked scan, somewhere in space, ``lost`` ones left out."""
    used = np.unique(faces[~lost[faces].any(axis=1)])
    sheet = compacted(points @ TURNED.T + MOVED, faces[~lost[faces].any(axis=1)])
    return PatchScan(sheet, marked[used])


def sheet_over(height, *, mark_mm=8.0, half_mm=42.0):
    """A scan of a height over the plane, a disc marked and most of that lost, and truth points there."""
    flat, faces = field(half_mm)
    away = np.hypot(*flat.T)
    scan = scanned(np.column_stack([flat, height(*flat.T)]), faces, away < mark_mm, away < 0.7 * mark_mm)
    inside = flat[away < mark_mm]
    step = 1e-5
    x, y = inside.T
    slope = [
        (height(x + step, y) - height(x - step, y)) / (2 * step),
        (height(x, y + step) - height(x, y - step)) / (2 * step),
    ]
    normals = np.column_stack([-slope[0], -slope[1], np.ones_like(x)])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    points = np.column_stack([inside, height(x, y)]) @ TURNED.T + MOVED
    return scan, TruthPoints(points, normals @ TURNED.T, np.full(len(points), 10.0))


def plate():
    return sheet_over(lambda x, y: 0.1 * x - 0.2 * y + 3.0)


def needed(name):
    """Skip a test of a tool whose library is not here."""
    module = {"libigl": "igl"}.get(TOOLS[name].package, TOOLS[name].package)
    pytest.importorskip(module, reason=f"{module} is in the benchmarks' environment: make bench-test")


def band(mark_mm, *, radius_mm=16.0, half_mm=45.0, step_mm=0.8):
    """A scan of a round tube along z, marked all round and lost in the middle."""
    n_around = round(2 * np.pi * radius_mm / step_mm)
    z = np.arange(-half_mm, half_mm + 1e-9, step_mm)
    turn = np.arange(n_around) * (2 * np.pi / n_around)
    grid = np.stack(
        np.broadcast_arrays(radius_mm * np.cos(turn), radius_mm * np.sin(turn), z[:, None]), axis=-1
    ).reshape(-1, 3)
    number = np.arange(len(grid)).reshape(len(z), n_around)
    a, b = number[:-1].ravel(), np.roll(number, -1, axis=1)[:-1].ravel()
    c, d = np.roll(number, -1, axis=1)[1:].ravel(), number[1:].ravel()
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    return scanned(grid, faces, np.abs(grid[:, 2]) < 0.5 * mark_mm, np.abs(grid[:, 2]) < 0.2 * mark_mm)


def back(points):
    """Points of a scan as they were made."""
    return (points - MOVED) @ TURNED


def rms_of(name, scan, truth):
    sheet = TOOLS[name].rebuild(scan)
    error = surface_error(truth, sheet.vertices, sheet.faces)
    assert error.covered == 1.0
    return error.rms_mm


def test_margin_is_cut_away_and_debris_dropped():
    scan, _ = plate()
    loose = scan.sheet.vertices[:3] + 30.0
    n = len(scan.sheet.vertices)
    sheet = Sheet(
        np.concatenate([scan.sheet.vertices, loose]),
        np.concatenate([scan.sheet.faces, [[n, n + 1, n + 2]]]),
    )
    scan = PatchScan(sheet, np.append(scan.damaged, [False] * 3))
    assert not scan.trusted[n:].any()
    flat = back(sheet.vertices[:n])[:, :2]
    away = np.hypot(*flat.T) - np.hypot(*flat[scan.damaged[:n]].T).max()
    # ways along edges are longer than straight ones, by less than 2 / sqrt(3) on good triangles
    assert scan.trusted[:n][away > MARGIN_MM + EDGE_MM].all()
    assert away[scan.trusted[:n]].min() > MARGIN_MM * np.sqrt(3) / 2 - EDGE_MM


def test_nothing_left_around_the_damage_is_named():
    scan, _ = plate()
    everything = PatchScan(scan.sheet, np.ones_like(scan.damaged))
    with pytest.raises(NoAnswer, match="no trusted scan"):
        rim_and_lids(everything)
    with pytest.raises(NoAnswer, match="no trusted scan"):
        everything.around(10.0)


def test_strip_between_two_rings_is_the_prism():
    n, radius, height = 40, 16.0, 30.0
    turn = np.arange(n) * (2 * np.pi / n)
    ring = np.stack([radius * np.cos(turn), radius * np.sin(turn), np.zeros(n)], axis=1)
    points = np.concatenate([ring, ring + [0.0, 0.0, height]])
    faces = strip(points, np.roll(np.arange(n), 7), np.arange(n, 2 * n))
    assert len(faces) == 2 * n
    corner = points[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    # lids on both rings would have less area, 2 pi r^2 = 1608 mm2
    side = 2 * radius * np.sin(np.pi / n)
    assert 0.5 * np.linalg.norm(across, axis=1).sum() == pytest.approx(n * side * height, rel=1e-12)
    outward = np.einsum("ij,ij->i", across, corner.mean(axis=1) * [1.0, 1.0, 0.0])
    assert (np.sign(outward) == np.sign(outward[0])).all()


def test_filling_of_a_plate_lies_in_its_plane_without_folds_or_holes():
    scan, _ = plate()
    result = filled(scan)
    points = back(result.sheet.vertices)
    assert np.abs(points @ [-0.1, 0.2, 1.0] - 3.0).max() < 1e-9 * np.ptp(points)
    assert result.free.sum() > 300
    assert np.hypot(*points[result.free, :2].T).max() < 8.0 + MARGIN_MM + 2 * EDGE_MM
    assert closed_disc(result.sheet)


def test_filling_of_several_loops_leaves_no_hole():
    flat, faces = field(60.0)
    wide = (np.abs(flat[:, 0]) < 42.0) & (np.abs(flat[:, 1]) < 20.0)
    island = np.hypot(np.abs(flat[:, 0]) - 21.0, flat[:, 1]) < 14.0
    marked = wide & ~island
    scan = scanned(np.column_stack([flat, 0 * flat[:, 0]]), faces, marked, np.zeros_like(marked))
    kept, lids = rim_and_lids(scan)
    assert border_edges(kept) > border_edges(np.concatenate([kept, lids]))
    assert closed_disc(filled(scan).sheet)


def border_edges(faces):
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    return (np.unique(edges, axis=0, return_counts=True)[1] == 1).sum()


def closed_disc(sheet):
    """Whether a sheet in a plane is one disc: Euler's number is 1 and no facet is turned over."""
    corner = back(sheet.vertices)[sheet.faces]
    up = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])[:, 2]
    edges = np.sort(
        np.concatenate([sheet.faces[:, [0, 1]], sheet.faces[:, [1, 2]], sheet.faces[:, [2, 0]]]), axis=1
    )
    euler = len(sheet.vertices) - len(np.unique(edges, axis=0)) + len(sheet.faces)
    return euler == 1 and bool((up > 0).all())


def test_quadrics_keep_a_plane_and_lower_a_ball_by_the_fourth_order_at_most():
    scan, _ = plate()
    kept, normals = on_quadrics(scan.sheet, scan.sheet.vertices[scan.trusted])
    assert np.abs(kept - scan.sheet.vertices[scan.trusted]).max() < 1e-9
    assert np.abs(normals @ TURNED @ [-0.1, 0.2, 1.0] / np.sqrt(1.05)).min() > 1.0 - 1e-12
    radius, reach = 70.0, 5.0
    scan, _ = sheet_over(lambda x, y: np.sqrt(radius**2 - x**2 - y**2))
    inner = np.hypot(*back(scan.sheet.vertices)[:, :2].T) < 30.0
    moved, normals = on_quadrics(scan.around(100.0), scan.sheet.vertices[scan.trusted & inner])
    # a ball's height over its tangent is r2 / 2R + r4 / 8R3 and more, which a quadric can't follow
    assert np.abs(np.linalg.norm(back(moved), axis=1) - radius).max() < reach**4 / (8 * radius**3)
    lean = np.arccos(np.clip(np.sum(normals @ TURNED * back(moved), axis=1) / radius, -1.0, 1.0))
    assert lean.max() < reach**3 / (2 * radius**3)


def test_quadrics_leave_little_of_the_noise():
    scan, _ = plate()
    rng, noise = np.random.default_rng(3), 0.02
    up = np.array([-0.1, 0.2, 1.0]) @ TURNED.T / np.sqrt(1.05)
    noisy = scan.sheet.vertices + rng.normal(0.0, noise, len(scan.damaged))[:, None] * up
    around = Sheet(noisy, scan.sheet.faces)
    inner = np.abs(back(scan.sheet.vertices)[:, :2]).max(axis=1) < 35.0
    moved, _ = on_quadrics(around, noisy[scan.trusted & inner])
    error = (back(moved) @ [-0.1, 0.2, 1.0] - 3.0) / np.sqrt(1.05)
    # six coefficients from some 50 neighbours all around; twice that at the rim
    assert np.sqrt(np.mean(error**2)) < 2 * noise * np.sqrt(6 / 50)


def test_spread_points_are_some_of_them_and_not_too_many():
    points = np.random.default_rng(5).uniform(0.0, 40.0, (4000, 3)) * [1.0, 1.0, 0.1]
    few = spread(points, 300)
    assert 150 < len(few) <= 300
    assert {*map(tuple, few)} <= {*map(tuple, points)}
    assert np.ptp(few, axis=0) == pytest.approx(np.ptp(points, axis=0), rel=0.15)


SMOOTH = [name for name in TOOLS if name != "poisson"]


@pytest.mark.parametrize("name", SMOOTH)
def test_plate_is_carried_on_exactly(name):
    needed(name)
    assert rms_of(name, *plate()) < 1e-8


@pytest.mark.parametrize("name", SMOOTH)
def test_saddle_is_carried_on(name):
    """Any power of the Laplacian of x2 - y2 is 0, so that all of them give a flat enough one back."""
    needed(name)
    half, steep = (8.0 + MARGIN_MM) ** 2 / 400.0, 2 * (8.0 + MARGIN_MM) / 400.0
    # lengths on the saddle differ from those in the plane by the slope squared
    assert rms_of(name, *sheet_over(lambda x, y: (x**2 - y**2) / 400.0)) < half * steep**2


@pytest.mark.parametrize("name", SMOOTH)
def test_ball_is_carried_on_but_for_its_fourth_order(name):
    """A clamped thin plate takes r4 / 8R3 for (2 a2 r2 - a4) / 8R3 in a hole of radius a; others do better.

    r2 / 2R and r4 / 8R3 are the first terms of a ball of radius R.
    """
    needed(name)
    radius, hole, patch = 70.0, 8.0 + MARGIN_MM, 8.0

    def left(a):
        """Root mean square of (a2 - r2)2 / 8R3 over the patch."""
        share = (patch / a) ** 2
        return a**4 / (8 * radius**3) * np.sqrt((1 - (1 - share) ** 5) / (5 * share))

    found = rms_of(name, *sheet_over(lambda x, y: np.sqrt(radius**2 - x**2 - y**2)))
    assert found < left(hole + 2 * EDGE_MM)
    if name in ("fairing_2", "fairing_2_smoothed", "height_plate"):
        assert found > 0.9 * left(hole)
    else:
        assert found < 0.5 * left(hole)


def waist(radius, gap, k):
    """Depth of the waist of a k-harmonic patch on a cylinder at mid-gap, in closed form.

    The even solutions of (d2/du2 - 1/R2)^k r = 0 are cosh(x), x sinh(x), x^2 cosh(x), x = u / R; value and
    first k - 1 derivatives at the ends are those of the constant R.
    """

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
    return radius * (1.0 - np.linalg.solve(system, [1.0] + [0.0] * (k - 1))[0])


#: The same closed form worked out beforehand, mm.
@pytest.mark.parametrize(("k", "depth"), [(2, 1.1701), (3, 0.0678)])
def test_k_harmonic_filling_of_a_tube_waists_as_the_closed_form(k, depth):
    needed("fairing_2")
    from patch_tools.fairing import k_harmonic

    radius, step = 16.0, 1.0
    assert waist(radius, 40.0, k) == pytest.approx(depth, abs=1e-4)
    start = filled(band(25.0, radius_mm=radius, step_mm=step), bent=False)
    fixed = np.flatnonzero(~start.free)
    points = back(k_harmonic(start.sheet.vertices, start.sheet.faces, fixed, k))
    size = np.hypot(points[:, 0], points[:, 1])
    gap = 2 * np.abs(points[fixed, 2]).min()
    # rows up to 12 mm are marked, those beyond 20 mm are left
    assert 40.0 < gap < 40.0 + 4 * step
    found = size[fixed].mean() - size[np.abs(points[:, 2]) < 0.5 * step].mean()
    # k rows hand over derivatives by differences, so the clamped end lies within those rows
    assert waist(radius, gap - step, k) <= found <= waist(radius, gap + (2 * k - 1) * step, k)


def test_poisson_keeps_the_surroundings_and_closes_the_patch():
    needed("poisson")
    scan, truth = plate()
    sheet = TOOLS["poisson"].rebuild(scan)
    assert surface_error(truth, sheet.vertices, sheet.faces).covered == 1.0
    points = back(sheet.vertices)
    beyond = np.hypot(*points[:, :2].T) > 8.0 + MARGIN_MM
    inner = np.abs(points[:, :2]).max(axis=1) < 35.0
    height = (points @ [-0.1, 0.2, 1.0] - 3.0) / np.sqrt(1.05)
    assert np.quantile(np.abs(height[beyond & inner]), 0.5) < 0.05


@pytest.mark.parametrize("name", ["height_plate", "height_quintic"])
def test_no_heights_where_the_surroundings_turn_away(name):
    with pytest.raises(NoAnswer, match="no height field"):
        TOOLS[name].rebuild(band(24.0, step_mm=1.2))


@pytest.mark.parametrize(
    ("kernel", "form"),
    [
        ("thin_plate_spline", lambda x, y: 0.3 * x - y + 2.0),
        ("quintic", lambda x, y: x**2 / 30.0 - x * y / 50.0 + y),
    ],
)
def test_heights_come_back_with_little_of_the_noise(kernel, form):
    rng, noise = np.random.default_rng(2), 0.05
    flat = rng.uniform(-30.0, 30.0, (900, 2))
    flat = flat[np.hypot(*flat.T) > 12.0]
    inside = rng.uniform(-8.0, 8.0, (200, 2))
    exact = carried_on(flat, form(*flat.T), np.zeros(2), kernel)
    assert np.abs(exact(inside) - form(*inside.T)).max() < 1e-6
    noisy = carried_on(flat, form(*flat.T) + rng.normal(0.0, noise, len(flat)), np.zeros(2), kernel)
    # the kernel's polynomials alone would leave sqrt(6 / 700) of it
    assert np.sqrt(np.mean((noisy(inside) - form(*inside.T)) ** 2)) < 0.2 * noise


class Plane:
    """The intact surface of a made-up case: z = 0."""

    def project(self, points):
        return points * [1.0, 1.0, 0.0], np.tile([0.0, 0.0, 1.0], (len(points), 1))


def flat_case():
    flat, faces = field(12.0)
    points = np.column_stack([flat, 0 * flat[:, 0]])
    inside = np.hypot(*flat.T) < 6.0
    up = np.tile([0.0, 0.0, 1.0], (inside.sum(), 1))
    return JunctionCase(
        "flat", points, faces, np.flatnonzero(inside), Plane(), 12.0, points[inside], up, False
    )


def test_our_patch_is_measured_and_held_against_its_band(monkeypatch):
    case = flat_case()

    def made(_):
        half = case.vertices_mm[:, 0] > 0.0
        return {
            "vertices": case.vertices_mm + [0.0, 0.0, 0.03],
            "faces": case.faces,
            "zone": (np.hypot(*case.vertices_mm[:, :2].T) < 6.0).astype(np.uint8),
            "band95_mm": np.where(half, 0.04, 0.02),
            "verdict": "ready",
            "seam_step_mm": 0.01,
            "seam_angle_deg": 0.2,
            "note": "",
        }

    monkeypatch.setattr(measured, "ours", made)
    row = measured.our_row(case, measured.as_truth(case))
    assert row["rms_mm"] == pytest.approx(0.03)
    assert row["zone_max_mm"] == pytest.approx(0.03)
    assert row["in_band95"] == pytest.approx(0.5, abs=0.1)
    assert (row["verdict"], row["seam_step_mm"], row["seam_angle_deg"]) == ("ready", 0.01, 0.2)


def test_our_refusal_is_a_row(monkeypatch):
    def refused(_):
        raise InputError("the outline is open")

    monkeypatch.setattr(measured, "ours", refused)
    row = measured.our_row(flat_case(), None)
    assert row == {"verdict": "refused", "note": "InputError: the outline is open"}


def row_of(case, tool, rms, **more):
    half = "kept out" if case == "third" else "development"
    about = {"case": case, "seed": 0, "noise_mm": 0.02, "rim": "mixed", "half": half, "size_mm": 20.0}
    figures = {} if rms is None else {"rms_mm": rms, "max_mm": 2 * rms, "seconds": 1.0}
    return about | {"tool": tool} | figures | more


ROWS = [
    row_of("first", "gaploft", 0.1, in_band95=0.9),
    row_of("first", "fairing_2", 0.8, margin_mm=8.0),
    row_of("first", "poisson", 0.5, margin_mm=8.0),
    row_of("first", "poisson", 0.2, margin_mm=4.0),
    row_of("second", "gaploft", 0.2, in_band95=1.0),
    row_of("second", "fairing_2", 1.4, margin_mm=8.0),
    row_of("second", "poisson", None, margin_mm=8.0, note="does not close the patch"),
    row_of("third", "gaploft", None, verdict="refused"),
    row_of("third", "fairing_2", 0.3, margin_mm=8.0),
]
TITLES = {"fairing_2": "fairing", "poisson": "Poisson"}


def test_ratio_is_the_best_tool_of_each_case_over_ours():
    at_eight = {line["half"]: line for line in by_half(ROWS, 8.0)}
    # 0.5 / 0.1 and 1.4 / 0.2
    assert at_eight["development"]["best ÷ ours"] == "6.0"
    assert at_eight["development"]["3 times or more"] == "2 of 2"
    assert at_eight["development"]["in 95 % band"] == "95%"
    assert at_eight["kept out"]["best ÷ ours"] == "–"
    assert at_eight["kept out"]["ours closed"] == "0"
    # the better margin of each case: 0.2 / 0.1 and 1.4 / 0.2
    anywhere = {line["half"]: line for line in by_half(ROWS, None)}
    assert anywhere["development"]["best ÷ ours"] == "4.5"
    assert anywhere["development"]["3 times or more"] == "1 of 2"


def test_each_case_has_its_line():
    lines = by_case(ROWS, TITLES, 8.0)
    assert [line["best"] for line in lines] == ["Poisson", "fairing", "fairing"]
    assert [line["best ÷ ours"] for line in lines] == ["5.0", "7.0", "–"]
    assert lines[1]["Poisson"] == "–"
    text = report(ROWS, TITLES)
    assert text.count("first, seed 0") == 3  # at both margins, and ours


def test_a_case_that_cannot_be_made_is_a_row_for_each_tool():
    rows = run(
        Errand({"case": "nowhere", "seed": 0, "noise_mm": 0.0, "rim": "mixed"}, ["poisson"], 8.0), 60.0
    )
    assert [row["tool"] for row in rows] == ["poisson"]
    assert "KeyError: 'nowhere'" in rows[0]["note"]


def test_a_case_is_run_in_a_child():
    about = {"case": "one_sided_cylinder", "seed": 0, "noise_mm": 0.02, "rim": "mixed"}
    first, second = run(Errand(about, ["implicit_quintic", "height_plate"], 8.0), 120.0)
    assert first["half"] == "development"
    # a lid over the hole would be too low by (25 + 16)2 / 8 R
    assert 0.0 < first["rms_mm"] < 0.1 * 41.0**2 / (8 * 16.0)
    assert second["tool"] == "height_plate"
