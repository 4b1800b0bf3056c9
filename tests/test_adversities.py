"""Every adversity of the benchmark does what it says, measured against the CAD surface."""

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from adversities import ADVERSITIES
from broken_rims import peeled
from irregular import correlated_noise
from lofted import DEVELOPMENT, KEPT_OUT, broken_tube, lofted_tube
from tube_families import FAMILIES

GAP_MM = 40.0
#: Nothing but the one fault looked at: next to no noise, rims cut straight, triangles that are soon made.
BARE = {"noise_mm": 1e-4, "rim": "clean", "ragged_mm": 0.0, "edge_mm": 1.2}


def bare(kind, name, **more):
    """An adversity alone: what it changes against the plain case, on an otherwise perfect scan."""
    plain = ADVERSITIES["plain"]
    changes = {key: value for key, value in ADVERSITIES[name].items() if plain.get(key) != value}
    return broken_tube(kind, GAP_MM, 11, **(BARE | changes | more))


def places(case):
    """Length along the tube and signed error of every vertex; ``beyond`` the nearer end of the gap."""
    along = case.tube.along(case.to_tube(case.vertices))
    beyond = np.maximum(case.gap_mm[0] - along, along - case.gap_mm[1])
    return along, beyond, case.truth_error(case.vertices)


def around_of(case):
    return case.tube.surface.closest(case.to_tube(case.vertices))[0]


def widths_mm(tube):
    """Least and greatest width of some sections between the ends of a tube, over all directions."""
    turns, found = np.linspace(0.0, 1.0, 400, endpoint=False), []
    angle = np.linspace(0.0, np.pi, 90)
    for at in np.linspace(0.0, tube.length_mm, 5):
        ring = tube.evaluate(np.full(400, at), turns)[0] - tube.centre(at)
        along = tube.axis(min(max(at, 1.0), tube.length_mm - 1.0))
        side = np.cross(along, [0.0, 1.0, 0.0])
        across = np.stack([ring @ side, ring[:, 1]])
        found.append(np.ptp(np.stack([np.cos(angle), np.sin(angle)], axis=1) @ across, axis=1))
    return np.min(found), np.max(found)


def test_families_are_split_in_two_halves():
    assert not set(DEVELOPMENT) & set(KEPT_OUT)
    assert set(DEVELOPMENT) | set(KEPT_OUT) == set(FAMILIES)
    assert len(DEVELOPMENT) == len(KEPT_OUT)


@pytest.mark.parametrize("kind", sorted(FAMILIES))
def test_nominal_measures_lie_within_their_ranges(kind):
    for name, (middle, low, high) in FAMILIES[kind].measures.items():
        assert low < high, name
        assert low <= middle <= high, name


@pytest.mark.parametrize("kind", sorted(FAMILIES))
def test_variants_are_other_tubes_of_real_size(kind):
    nominal = lofted_tube(kind)
    for variant in (1, 2, 3):
        tube = lofted_tube(kind, variant=variant)
        thinnest, widest = widths_mm(tube)
        assert 10.0 < thinnest < widest < 75.0
        turns = np.linspace(0.0, 1.0, 50, endpoint=False)
        off = nominal.distance(tube.evaluate(np.full(50, 150.0), turns)[0])
        assert np.abs(off).max() > 0.1


@pytest.mark.parametrize("kind", sorted(FAMILIES))
def test_no_drawn_measures_make_a_tube_of_unreal_size(kind):
    family = FAMILIES[kind]
    rng = np.random.default_rng(1)
    for _ in range(40):
        tube = family.build(**family.drawn(rng))
        for share in np.linspace(0.0, 1.0, 7):
            size = np.ptp(tube.section(share), axis=0)
            assert size.min() > 10.0
            assert size.max() < 75.0
        heading = tube.heading_rad(np.linspace(0.0, 300.0, 601), 300.0)
        # no tighter than a radius of 250 mm
        assert np.abs(np.diff(heading)).max() / 0.5 < 1 / 250.0


def test_a_variant_is_the_same_tube_in_every_process():
    drawn = FAMILIES["round"].drawn(np.random.default_rng([int.from_bytes(b"round", "big"), 7]))
    perimeter = lofted_tube("round", variant=7).perimeter_mm
    # a ring of 64 chords: shorter than the circle by (pi / 64)^2 / 6 = 4e-4 of it
    assert perimeter == pytest.approx(2 * np.pi * drawn["radius"], rel=5e-4)
    lofted_tube.cache_clear()
    assert lofted_tube("round", variant=7).perimeter_mm == perimeter


@pytest.mark.parametrize("name", sorted(set(ADVERSITIES) - {"fine_0.2"}))
def test_each_adversity_makes_the_same_scan_twice_and_another_seed_another(name):
    settings = ADVERSITIES[name] | {"edge_mm": 2.5}
    first, second = (broken_tube("oval", GAP_MM, 4, variant=2, **settings) for _ in range(2))
    other = broken_tube("oval", GAP_MM, 5, variant=2, **settings)
    assert first.vertices.tobytes() == second.vertices.tobytes()
    assert first.faces.tobytes() == second.faces.tobytes()
    assert first.vertices.tobytes() != other.vertices.tobytes()


@pytest.mark.parametrize("name", ["plain", "noise_0.04", "correlated_1", "correlated_3"])
def test_noise_is_as_strong_and_as_wide_as_it_says(name):
    settings = ADVERSITIES[name]
    case = broken_tube("round", GAP_MM, 11, **(settings | {"rim": "clean"}))
    error = case.truth_error(case.vertices)
    # the mean over the cut scan strays by rms / sqrt(independent patches), below 2 %
    assert np.sqrt(np.mean(error**2)) == pytest.approx(settings["noise_mm"], rel=0.04)
    span = settings["correlation_mm"]
    # triangles of 0.6 mm: pairs of vertices one correlation length apart, to a tenth of a millimetre
    tree = cKDTree(case.vertices)
    some = np.arange(0, len(case.vertices), 9)
    far, near = (tree.query_ball_point(case.vertices[some], span + step) for step in (0.05, -0.05))
    pairs = np.array([(i, j) for i, a, b in zip(some, far, near, strict=True) for j in set(a) - set(b)])
    product = np.mean(error[pairs[:, 0]] * error[pairs[:, 1]]) / np.mean(error**2)
    # a tenth of the variance is white, and 160 waves in space make the law only to about 1 / sqrt(160)
    assert product == pytest.approx(0.9 * np.exp(-0.5), abs=0.12)


def test_correlation_dies_away_where_the_law_says():
    points = np.random.default_rng(2).uniform(0.0, 80.0, (3000, 3))
    noise = [
        correlated_noise(
            np.concatenate([points, points + [4.0, 0.0, 0.0]]),
            rms_mm=1.0,
            correlation_mm=2.0,
            rng=np.random.default_rng(seed),
        )
        for seed in range(8)
    ]
    found = np.mean([np.corrcoef(n[:3000], n[3000:])[0, 1] for n in noise])
    assert found == pytest.approx(np.exp(-2.0), abs=0.06)


@pytest.mark.parametrize(
    ("name", "sign"), [("rim_crushed_8", -1.0), ("rim_bulged_3", 1.0), ("rim_lifted_6", 1.0)]
)
def test_rim_is_damaged_its_own_way_as_far_as_it_says(name, sign):
    case = bare("tapered", name)
    reach, depth = ADVERSITIES[name]["rim_mm"], ADVERSITIES[name]["rim_depth_mm"]
    _, beyond, error = places(case)
    assert np.abs(error[beyond > reach + 0.1]).max() < 1e-3
    assert (sign * error).max() == pytest.approx(depth, rel=0.2)
    assert (sign * error).min() > -1e-3
    touched = beyond[np.abs(error) > 1e-3]
    assert touched.max() > 0.75 * reach


def test_lifted_flap_is_a_bent_beam_over_a_part_of_the_turn():
    case = bare("round", "rim_lifted_6", edge_mm=0.8)
    along, beyond, error = places(case)
    around = around_of(case)
    for near in (along < case.gap_mm[0], along > case.gap_mm[1]):
        lifted = near & (error > 0.01 * case.faults.rim_depth_mm)
        share = len(np.unique((360 * around[lifted]).astype(int))) / 360.0
        assert 80.0 / 360.0 < share < 165.0 / 360.0
        top = near & (error > 0.985 * case.faults.rim_depth_mm * peeled(beyond, 6.0)) & (beyond < 5.0)
        assert top.sum() > 20
        # both noise and the station read to 0.05 mm of the centreline
        expected = case.faults.rim_depth_mm * peeled(beyond[top], 6.0)
        np.testing.assert_allclose(error[top], expected, atol=0.015)


def test_peeled_ply_is_steepest_at_the_rim_and_leaves_without_a_kink():
    beyond = np.linspace(0.0, 7.0, 1401)
    height = peeled(beyond, 6.0)
    slope = np.gradient(height, beyond)
    assert height[0] == 1.0
    assert np.all(height[beyond >= 6.0] == 0.0)
    # d/dx of (3 x^2 - x^3) / 2 is 3/2 at x = 1: depth over reach, half as much again
    assert slope[0] == pytest.approx(-1.5 / 6.0, rel=0.01)
    assert np.all(np.diff(slope[1:1200]) > 0.0)
    assert abs(slope[beyond.searchsorted(5.99)]) < 0.002
    assert np.all(peeled(np.array([-1.0, -0.01]), 6.0) == 0.0)


@pytest.mark.parametrize("degrees", [40.0, 60.0, 90.0])
def test_strip_is_as_wide_as_it_says_all_along(degrees):
    case = bare("round", f"strip_{degrees:.0f}")
    along, around = places(case)[0], around_of(case)
    for low in np.arange(0.0, 300.0, 30.0):
        here = np.sort(around[(along >= low) & (along < low + 30.0)])
        if len(here) == 0 or low in (120.0, 150.0):
            continue  # hardly anything is left of these but rims
        widest = np.diff(np.append(here, here[0] + 1.0)).max()
        # an edge of 1.2 mm on a circumference of 101 mm is 4.3 degrees
        assert 360.0 * widest == pytest.approx(degrees, abs=5.0)


def test_holes_are_places_without_vertices():
    case = bare("oval", "holes", edge_mm=1.0)
    whole = broken_tube("oval", GAP_MM, 11, **(BARE | {"edge_mm": 1.0}))
    assert len(whole.vertices) > len(case.vertices)
    tube_points, _ = case.tube.evaluate(
        np.repeat(np.arange(8.0, 110.0, 0.5), 200), np.tile(np.arange(0, 1, 1 / 200), 204)
    )
    away = cKDTree(case.to_tube(case.vertices)).query(tube_points)[0]
    intact = cKDTree(whole.to_tube(whole.vertices)).query(tube_points)[0]
    assert intact.max() < 1.2
    # holes are 0.7 to 1.3 times 7 mm wide
    assert 0.7 * 3.5 - 1.0 < away.max() < 1.3 * 3.5 + 1.0


def test_stickers_lie_on_both_flanks_as_thick_as_they_say():
    case = bare("down_tube", "stickers")
    along, _, error = places(case)
    assert error.max() == pytest.approx(0.1, abs=1e-3)
    covered = error > 0.05
    assert covered[along < case.gap_mm[0]].mean() > 0.02
    assert covered[along > case.gap_mm[1]].mean() > 0.02
    assert np.all((np.abs(error) < 1e-3) | (np.abs(error - 0.1) < 1e-3))


def test_cable_stops_are_long_narrow_and_high_on_both_flanks():
    case = bare("round", "cable_stops", edge_mm=0.6, cable_stops=2)
    along, beyond, error = places(case)
    around = around_of(case) * 2 * np.pi * 16.0
    for near in (along < case.gap_mm[0], along > case.gap_mm[1]):
        top = near & (error > 0.05)
        assert error[top].max() == pytest.approx(5.0, abs=0.01)
        assert np.ptp(along[top]) == pytest.approx(12.0, abs=1.3)
        across = np.ptp((around[top] - around[top][0] + 50.0) % 100.53)
        assert across == pytest.approx(6.0, abs=1.3)
        assert beyond[top].min() > 15.0 - 6.0


def test_clumps_float_off_the_surface():
    case = bare("round", "clumps")
    whole = broken_tube("round", GAP_MM, 11, **BARE)
    assert len(case.vertices) > len(whole.vertices)
    assert case.truth_error(case.vertices).max() > 2.0


@pytest.mark.parametrize("kind", ["round", "tight_stay"])
def test_short_flank_cuts_the_scan_and_not_the_tube(kind):
    case = bare(kind, "short_flank")
    along, _, error = places(case)
    left, right = ADVERSITIES["short_flank"]["flanks_mm"]
    assert left > 2.9 * right
    assert case.gap_mm[0] - along.min() == pytest.approx(left, abs=0.1)
    assert along.max() - case.gap_mm[1] == pytest.approx(right, abs=0.1)
    assert np.abs(error).max() < 1e-3
    # between its ends it is the very tube of the plain case
    assert case.tube is bare(kind, "plain").tube


@pytest.mark.parametrize(("kind", "variant"), [("round", 0), ("stay", 1), ("aerofoil", 2), ("down_tube", 3)])
def test_junction_takes_over_where_the_flank_ends(kind, variant):
    case = bare(kind, "junction", variant=variant)
    along, _, error = places(case)
    flank_end = case.gap_mm[1] + case.faults.junction_mm
    own = along < flank_end - 0.2
    # the ends of the crossing tube lean back over the flank, some 30 mm beside it
    assert np.abs(error[own & (np.abs(error) < 2.0)]).max() < 1e-3
    fillet = (along > flank_end) & (along < flank_end + 4.0)
    assert error[fillet].max() > 0.05
    away = np.abs(error[(along > flank_end + 2.0) & (along < flank_end + 30.0)])
    assert np.median(away) > 1.0
    # no ring is missing before it: the flank is as long as it says
    steps = np.diff(np.sort(along[own & (along > case.gap_mm[1])]))
    assert steps.max() < 1.0


def test_junction_is_one_skin_with_faces_outward():
    case = bare("oval", "junction", posed=False)
    edges = case.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).astype(np.int64)
    # every directed edge once: neighbours turn the same way
    assert len(np.unique(edges @ [len(case.vertices), 1])) == len(edges)
    corner = case.vertices[case.faces]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    middle = corner.mean(axis=1)
    on_flank = (middle[:, 2] > case.gap_mm[1] + 5.0) & (middle[:, 2] < case.gap_mm[1] + 55.0)
    outward = np.sum(normal[on_flank] * case.truth_normals(middle[on_flank]), axis=1)
    assert np.mean(outward > 0.0) > 0.999


def test_a_junction_has_no_end_to_close():
    with pytest.raises(ValueError, match="no end to close"):
        bare("round", "junction", closed_end=True)


def test_moved_half_is_off_by_half_a_millimetre_and_half_a_degree():
    case, still = (bare("round", name, posed=False) for name in ("halves_moved", "plain"))
    far = still.vertices[:, 2] > case.gap_mm[1]
    before, after = still.vertices[far], case.vertices[far]
    turn, residual = Rotation.align_vectors(after - after.mean(axis=0), before - before.mean(axis=0))
    assert residual < 1e-6
    assert np.rad2deg(turn.magnitude()) == pytest.approx(0.5, abs=1e-6)
    # square to the tube's axis: a tilt and no twist
    assert abs(turn.as_rotvec()[2]) < 1e-9
    centre = case.tube.centre(0.5 * sum(case.gap_mm))
    carried = turn.apply(centre - before.mean(axis=0)) + after.mean(axis=0)
    assert np.linalg.norm(carried - centre) == pytest.approx(0.5, abs=1e-6)
    np.testing.assert_array_equal(case.vertices[~far], still.vertices[~far])


@pytest.mark.parametrize(("name", "edge_mm"), [("fine_0.2", 0.2), ("coarse_1.5", 1.5)])
def test_triangles_are_as_fine_as_they_say(name, edge_mm):
    case = broken_tube("stay", 10.0, 11, **ADVERSITIES[name], flanks_mm=(40.0, 40.0))
    corner = case.vertices[case.faces]
    edge = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2)
    assert np.median(edge) == pytest.approx(edge_mm, rel=0.1)
    assert np.quantile(edge, 0.1) < 0.85 * edge_mm
    assert np.quantile(edge, 0.9) > 1.15 * edge_mm


@pytest.mark.parametrize("kind", ["round", "d_section"])
def test_half_round_damage_leaves_the_other_half_intact(kind):
    case = bare(kind, "half_round", rim="mixed", rim_mm=5.0, ragged_mm=1.5)
    along, beyond, error = places(case)
    middle, share = case.damaged_turn
    assert share == pytest.approx(0.5)
    aside = np.abs((around_of(case) - middle + 0.5) % 1.0 - 0.5) * case.tube.perimeter_mm
    half = 0.5 * share * case.tube.perimeter_mm
    marked = np.zeros(len(case.vertices), dtype=bool)
    marked[case.damaged] = True
    # nothing of what lies beyond the ragged border and the rim is touched, in the gap or out of it
    clear = ~marked & ((aside > half + 6.6) | (beyond > 6.6))
    assert np.abs(error[clear]).max() < 1e-3
    within = clear & (beyond < 0.0)
    assert len(np.unique((50 * along[within] / GAP_MM).astype(int))) > 40
    # what is marked is pushed in, and deep inside the damage nothing is left
    assert np.median(error[marked]) < -0.5
    core = (beyond < -0.25 * GAP_MM - 5.0) & (aside < half - 0.3 * GAP_MM)
    assert not core.any()


def test_half_round_is_judged_only_where_it_was_damaged():
    case = bare("round", "half_round")
    middle, _ = case.damaged_turn
    turns = (middle + np.array([0.0, 0.24, 0.26, 0.5, 0.74, 0.76])) % 1.0
    points, _ = case.tube.evaluate(np.full(6, 150.0), turns)
    posed = case.turn.apply(points) + case.shift
    assert case.in_gap(posed).tolist() == [True, True, False, False, False, True]
    outside, _ = case.tube.evaluate(np.array([129.0, 171.0]), np.array([middle, middle]))
    assert not case.in_gap(case.turn.apply(outside) + case.shift).any()


def test_only_half_round_damage_is_marked_by_vertices():
    assert bare("round", "half_round").damaged is not None
    assert bare("round", "plain").damaged is None


@pytest.mark.parametrize("name", ["together", "together_short"])
def test_together_has_all_of_it_at_once(name):
    case = broken_tube("down_tube", GAP_MM, 3, variant=1, **(ADVERSITIES[name] | {"edge_mm": 1.0}))
    along, beyond, error = places(case)
    on_tube = along < case.gap_mm[1] + 60.0
    assert error[on_tube & (beyond > 9.0)].max() > 4.5  # a cable stop
    assert np.abs(error[(beyond > 0.0) & (beyond < 8.0)]).max() > 0.3  # the rim
    around = np.sort(around_of(case)[on_tube & (beyond > 0.0) & (error < 1.0)])
    assert 360.0 * np.diff(around).max() > 50.0  # the strip
    assert case.faults.noise_mm == 0.04
