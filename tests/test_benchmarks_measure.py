"""The accuracy benchmark's own measure, cases and tables, held against closed forms and made-up rows."""

import argparse
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

import case_runner
import plain_tube
from accuracy_figures import class_of, ratios, silently_bad
from accuracy_plots import draw_all
from accuracy_report import full_report, readme_table
from accuracy_tables import by_length
from case_runner import Plan, run_case
from cases import Case, case_list
from error_measure import TruthPoints, surface_error
from lofted import DEVELOPMENT, KEPT_OUT, broken_tube
from truth_points import truth_points

RADIUS, LENGTH = 16.0, 60.0


def truth_of_cylinder(n=4000):
    """Random points of a cylinder along z between 10 and 50."""
    rng = np.random.default_rng(3)
    angle, z = rng.uniform(0, 2 * np.pi, n), rng.uniform(10.0, 50.0, n)
    normals = np.stack([np.cos(angle), np.sin(angle), np.zeros(n)], axis=1)
    return TruthPoints(RADIUS * normals + z[:, None] * (0.0, 0.0, 1.0), normals, np.full(n, 12.0))


def mesh_of_cylinder(radius, n_v=800, **shape):
    return plain_tube.open_tube(radius=radius, length=LENGTH, n_v=n_v, **shape)


@pytest.mark.parametrize("offset", [0.05, -0.3, 2.5, -7.0])
def test_offset_cylinder_is_that_far_off(offset):
    error = surface_error(truth_of_cylinder(), *mesh_of_cylinder(RADIUS + offset))
    sagitta = (RADIUS + offset) * (1 - np.cos(np.pi / 800))
    assert error.covered == 1.0
    for figure in (error.rms_mm, error.p95_mm, error.max_mm):
        assert figure == pytest.approx(abs(offset), abs=sagitta + 1e-9)
    # interpolated vertex normals of the polygon are the circle's to second order
    assert error.normal_max_deg < np.rad2deg((np.pi / 800) ** 2)


def test_cone_is_its_slope_off():
    error = surface_error(truth_of_cylinder(), *mesh_of_cylinder(RADIUS - 0.9, taper=0.03))
    # the radius is off by -0.9 + 0.03 z, and z spreads evenly from 10 to 50: rms 0.03 * 40 / sqrt(12)
    assert error.rms_mm == pytest.approx(0.03 * 40 / np.sqrt(12), rel=0.02)
    assert error.max_mm == pytest.approx(0.6, abs=0.002)
    assert error.normal_rms_deg == pytest.approx(np.rad2deg(np.arctan(0.03)), rel=1e-3)


def test_error_follows_the_facets_not_the_vertices():
    error = surface_error(truth_of_cylinder(), *mesh_of_cylinder(RADIUS, n_v=24, n_u=2))
    assert error.max_mm == pytest.approx(RADIUS * (1 - np.cos(np.pi / 24)), rel=0.01)


@pytest.mark.parametrize(("gap", "covered"), [((26.0, 34.0), 0.8), ((28.0, 31.0), 0.925)])
def test_a_missing_stretch_is_not_covered(gap, covered):
    # rings every half a millimetre, so that the gap's ends fall on rings
    error = surface_error(truth_of_cylinder(), *mesh_of_cylinder(RADIUS, n_v=200, n_u=121, gap=gap))
    assert error.covered == pytest.approx(covered, abs=0.02)
    assert error.bridged == (covered >= 0.9)
    assert np.isnan(error.rms_mm) == (not error.bridged)


def test_flat_caps_and_nothing_are_no_surface():
    truth = truth_of_cylinder()
    ring = np.arange(100) * (2 * np.pi / 100)
    rim = np.stack([RADIUS * np.cos(ring), RADIUS * np.sin(ring), np.full(100, 10.0)], axis=1)
    fan = np.stack([np.zeros(100, int), 1 + np.arange(100), 1 + (np.arange(100) + 1) % 100], axis=1)
    assert surface_error(truth, np.vstack([[0.0, 0.0, 10.0], rim]), fan).covered < 0.05
    assert surface_error(truth, np.zeros((0, 3)), np.zeros((0, 3), int)).covered == 0.0


def test_spare_surfaces_and_turned_facets_cost_nothing():
    truth, (vertices, faces) = truth_of_cylinder(), mesh_of_cylinder(RADIUS + 0.1)
    inner, more = mesh_of_cylinder(RADIUS - 3.0)
    plain = surface_error(truth, vertices, faces)
    both = surface_error(truth, np.vstack([inner, vertices]), np.vstack([more, faces[:, ::-1] + len(inner)]))
    assert both.rms_mm == pytest.approx(plain.rms_mm, rel=1e-9)
    assert both.normal_rms_deg == pytest.approx(plain.normal_rms_deg, abs=1e-6)


@pytest.mark.parametrize("half_round", [0.0, 180.0])
def test_truth_points_lie_evenly_on_the_missing_surface(half_round):
    case = broken_tube("oval", 40.0, seed=2, edge_mm=1.5, half_round_deg=half_round)
    truth = truth_points(case)
    np.testing.assert_allclose(case.truth_error(truth.points), 0.0, atol=1e-6)
    np.testing.assert_allclose(case.truth_normals(truth.points), truth.normals, atol=1e-4)
    assert case.in_gap(truth.points).mean() > 0.98  # the last ring may fall to either side
    if not half_round:
        spacing = np.sqrt(40.0 * case.tube.perimeter_mm / len(truth.points))
        from scipy.spatial import cKDTree

        away, _ = cKDTree(truth.points).query(truth.points, k=2)
        assert (away[:, 1] > 0.5 * spacing).mean() > 0.95
        assert (away[:, 1] < 1.5 * spacing).all()


def options(**changes):
    asked = {
        "families": "all",
        "kinds": None,
        "gaps": [40.0],
        "variants": [0],
        "seeds": [1],
        "adversities": ["mixed"],
        "quick": False,
    }
    return argparse.Namespace(**{**asked, **changes})


def test_cases_keep_the_halves_apart():
    assert {case.half for case in case_list(options(families="kept_out"))} == {"kept out"}
    assert {case.family for case in case_list(options(families="development"))} == set(DEVELOPMENT)
    both = case_list(options())
    assert len(set(both)) == len(both)
    adverse = [case for case in both if case.adversity != "plain"]
    # every adversity on two families of each half, and every family under some adversity
    assert {case.family for case in adverse} == set(DEVELOPMENT + KEPT_OUT)
    assert len(adverse) == 4 * len({case.adversity for case in adverse})
    assert len(case_list(options(adversities=["plain", "holes"]))) == 2 * len(DEVELOPMENT + KEPT_OUT)
    assert 8 <= len(case_list(options(quick=True))) <= 16


def test_a_case_that_cannot_be_made_is_a_row_and_stops_nothing():
    plan = Plan(["gaploft", "linear_loft"], None, 1, 120.0)
    rows = run_case(Case("no such family", 40.0, 0, 1, "plain"), plan)
    assert [row["tool"] for row in rows] == ["gaploft", "linear_loft"]
    assert all(row["note"].startswith("failed: exit code 1") for row in rows)


#: A child like ``one_case.py`` whose tools end well, take the process down, or never end.
_CHILD = """
import json, os, sys, time
case = json.loads(sys.argv[1])
for tool in sys.argv[2:]:
    print(json.dumps({"started": tool}), flush=True)
    if tool == "crashes":
        os._exit(7)
    if tool == "hangs":
        time.sleep(600)
    print(json.dumps({"row": {**case, "tool": tool, "rms_mm": 0.1, "p95_mm": float("nan")}}), flush=True)
"""


def test_a_tool_that_crashes_or_hangs_costs_its_own_row_only(tmp_path, monkeypatch):
    child = tmp_path / "child.py"
    child.write_text(_CHILD, encoding="utf-8")
    monkeypatch.setattr(case_runner, "_CHILD", child)
    plan = Plan(["first", "crashes", "second", "hangs", "third"], None, 1, 3.0)
    rows = run_case(Case("oval", 40.0, 0, 1, "plain"), plan)
    assert [row["tool"] for row in rows] == list(plan.tools)
    assert {row["tool"] for row in rows if "rms_mm" in row} == {"first", "second", "third"}
    assert "exit code 7" in rows[1]["note"]
    assert "exit code -9" in rows[3]["note"]
    assert not any("p95_mm" in row for row in rows)


def row(tool, rms, *, family="tapered", gap=30.0, **more):
    """A made-up row of a tube 30 mm across."""
    about = {"half": "kept out", "family": family, "gap_mm": gap, "variant": 0, "seed": 1}
    about |= {"adversity": "plain", "tube_diameter_mm": 30.0, "tool": tool, "seconds": 1.0}
    return about | ({} if rms is None else {"rms_mm": rms, "max_mm": 3 * rms}) | more


def test_classes_reach_to_their_length():
    lengths = (30.0, 30.1, 60.0, 120.0, 121.0)
    assert [class_of(row("x", 1.0, gap=g)) for g in lengths] == ["≤ 1", "≤ 2", "≤ 2", "≤ 4", "> 4"]


def test_ratio_is_taken_case_by_case_against_the_best_general_tool():
    rows = [
        row("gaploft", 0.004, verdict="ready", in_band95=0.95),
        row("blender", 0.05),
        row("thin_plate", 0.03),
        row("thin_plate_cubic", 0.02),
        row("vtk", None, note="does not bridge"),
        row("gaploft", 0.006, family="aerofoil", verdict="ready", in_band95=0.97),
        row("blender", 0.06, family="aerofoil"),
        row("gaploft", None, family="hourglass", verdict="refused"),
        row("blender", 0.01, family="hourglass"),
    ]
    assert sorted(ratios(rows).values()) == pytest.approx([7.5, 10.0])
    assert sorted(ratios(rows, tube_aware=True).values()) == pytest.approx([5.0, 10.0])
    (line,) = by_length(rows, adverse=False)
    assert line["targets"] == "2 of 3"
    assert line["rms mm"].startswith("0.0050 (")
    assert line["general ÷ ours"] == "8.8"
    table = readme_table(rows, {"python": "3.x"})
    assert "0.0050" in table
    assert "python 3.x" in table
    assert "None: no case" in full_report(rows, {"gaploft": "Gaploft"}, {"python": "3.x"})


def test_silently_bad_cases_are_named():
    bad = row("gaploft", 0.05, verdict="ready", zone_max_mm=0.2)
    rows = [bad, row("gaploft", 0.05, verdict="check", zone_max_mm=0.2), row("blender", 2.0)]
    assert silently_bad(rows) == [bad]
    assert "worst 0.200 mm" in full_report(rows, {"gaploft": "Gaploft"}, {})


def test_pictures_show_what_there_is(tmp_path):
    titles = {"gaploft": "Gaploft", "blender": "bridging"}
    plain = [row("gaploft", 0.004, in_band95=0.95, verdict="ready"), row("blender", 0.05)]
    drawn = draw_all(plain, titles, tmp_path, "a")
    # bars of adversities want more than the plain cases
    assert [file.name for file in drawn] == ["a_error.png", "a_band.png"]
    adverse = [
        row("gaploft", 0.01, adversity="holes", in_band95=0.9, verdict="check"),
        row("blender", None, adversity="holes", note="does not bridge"),
    ]
    drawn = draw_all(plain + adverse, titles, tmp_path, "b")
    assert [file.name for file in drawn] == ["b_error.png", "b_band.png", "b_adversities.png"]
    assert all(file.read_bytes()[:4] == b"\x89PNG" for file in drawn)
