"""Tubes found without a click: lofted tubes in any pose, whose length is known from how they were made.

Limits are the brief of a donor's scan (a decision of this project, no source): 95 % of a tube's length,
less the ragged last millimetres.
"""

import numpy as np
import pytest

import plain_tube
from frame_tubes import ArcTube
from gaploft.errors import InputError
from gaploft.job import Damage
from gaploft.tube.find import find_tubes, same_tube
from gaploft.tube.follow import length_of
from gaploft.tube.isolate import follow_tube, isolate_tube
from gaploft.tube.march import march
from gaploft.tube.near import sparse_points
from gaploft.tube.ring import N_BINS, Ring
from intact_scans import intact_scan, together
from junction import joined

LENGTH_MM, RAGGED_MM = 200.0, 4.0
ADVERSE = {
    "plain": {},
    "rough and cut": {"noise_mm": 0.05, "cut_mm": 5.0, "ragged_mm": 3.0},
    "holes": {"holes": 6, "hole_mm": 8.0, "clumps": 3},
    "strip": {"strip_deg": 90.0},
}


@pytest.mark.parametrize("adverse", ADVERSE)
@pytest.mark.parametrize("kind", ["round", "tight_stay", "s_stay", "d_section", "aerofoil", "oval"])
def test_a_lone_tube_is_found_over_its_length(kind, adverse):
    options = ADVERSE[adverse]
    case = intact_scan(kind, 3, length_mm=LENGTH_MM, **options)
    scan = case.scan
    (tube,) = find_tubes(scan)
    cut = options.get("cut_mm", 0.0) + options.get("ragged_mm", 0.0)
    low, high = case.span(tube.spine.points(np.array(tube.flank_mm)))
    assert low < RAGGED_MM
    assert high > LENGTH_MM - cut - RAGGED_MM
    assert high - low > 0.95 * (LENGTH_MM - cut)
    # noise, clumps and the ragged end are the points that may be missing
    assert len(tube.u) > 0.93 * len(scan.vertices_mm)
    assert tube.stopped_by == ("end of the scan", "end of the scan")
    assert not tube.damaged.any()
    assert tube.gap_length_mm == 0.0
    assert tube.patch is None
    stations = np.linspace(*tube.flank_mm, num=60)[2:-2]
    along = case.tube.along(case.turn.inv().apply(tube.spine.points(stations) - case.shift))
    steps = np.diff(along)
    assert (steps > 0.0).all() or (steps < 0.0).all()


@pytest.mark.parametrize("diameter", [10.0, 25.0, 60.0])
@pytest.mark.parametrize("bend_mm", [np.inf, 300.0])
def test_round_tubes_of_all_sizes(diameter, bend_mm):
    """Bent ones to a radius of 300 mm over 250 mm: 48 degrees."""
    radius, length = diameter / 2.0, 250.0
    vertices, faces = plain_tube.open_tube(radius=radius, length=length, n_u=180, n_v=90)
    if np.isfinite(bend_mm):
        turn = vertices[:, 2] / bend_mm
        off = bend_mm - vertices[:, 0]
        vertices = np.column_stack([bend_mm - off * np.cos(turn), vertices[:, 1], off * np.sin(turn)])
    (tube,) = find_tubes(together((vertices, faces)))
    assert length_of(tube) == pytest.approx(length, rel=0.02)
    assert tube.radius_mm == pytest.approx(radius, rel=0.01)
    _, _, off = tube.spine.locate(tube.points_mm)
    np.testing.assert_allclose(off, radius, atol=0.03 * radius)


@pytest.mark.parametrize("seed", range(4))
def test_stations_rise_along_the_largest_component(seed):
    """Whatever the pose; and the same scan gives the same tube to the byte."""
    scan = intact_scan("stay", seed).scan
    (tube,), (again,) = find_tubes(scan), find_tubes(scan)
    start, stop = tube.spine.points(np.array(tube.flank_mm))
    chord = stop - start
    assert chord[np.argmax(np.abs(chord))] > 0.0
    assert tube.points_mm.tobytes() == again.points_mm.tobytes()
    assert tube.u.tobytes() == again.u.tobytes()
    assert tube.v.tobytes() == again.v.tobytes()


@pytest.fixture(scope="module")
def frame():
    """A main tube, open under two branches: one straight, one bent, each 8 to 14 mm in radius."""
    main = ArcTube((0, 0, -130.0), (0, 0, 1), (1, 0, 0), 260.0, (19, 19), (19, 19))
    top = ArcTube((0, 0, 60.0), (1, 0.05, -0.1), (0, 0, -1), 240.0, (14, 12), (13, 14), 1 / 1500.0)
    stay = ArcTube((0, 0, 20.0), (-0.7, 0.4, -0.5), (-0.5, -0.8, -0.3), 200.0, (8, 8), (7, 8), 1 / 300.0)
    rng = np.random.default_rng(7)
    skin = joined(main, [top, stay], fillet_mm=3.0, edge_mm=1.2, rng=rng)
    return (main, top, stay), skin


def axis_off(tube, truth):
    """Greatest distance of the inner spine from the centreline it was made along, mm."""
    inner = np.linspace(tube.flank_mm[0] + 8.0, tube.flank_mm[1] - 8.0, 40)
    line = truth.centre(np.linspace(0.0, truth.length_mm, 4000))
    return max(np.linalg.norm(line - point, axis=1).min() for point in tube.spine.points(inner))


def test_tubes_of_a_frame_end_at_its_junctions(frame):
    truths, skin = frame
    found = find_tubes(together((skin.points, skin.faces)))
    lengths = [length_of(tube) for tube in found]
    assert lengths == sorted(lengths, reverse=True)
    for truth in truths[1:]:
        (tube,) = [tube for tube in found if axis_off(tube, truth) < 1.0]
        # From where it leaves the main tube, 19 mm and a slanting fillet from its axis, to its end.
        assert 0.8 * (truth.length_mm - 19.0) < length_of(tube) < truth.length_mm - 19.0
        assert sorted(tube.stopped_by) == ["end of the scan", "junction"]
    rest = [tube for tube in found if axis_off(tube, truths[0]) < 1.5]
    assert sum(length_of(tube) for tube in rest) > 0.6 * truths[0].length_mm
    assert len(found) == len(rest) + 2


def test_a_place_picks_its_tube(frame):
    truths, skin = frame
    scan = together((skin.points, skin.faces))
    for truth in truths[1:]:
        centre = truth.centre(np.array([0.6 * truth.length_mm]))[0]
        surface = truth.evaluate(np.array([0.6 * truth.length_mm]), np.array([0.3]))[0][0]
        for place in (centre, surface):
            (tube,) = find_tubes(scan, near_mm=place)
            assert axis_off(tube, truth) < 1.0
    with pytest.raises(
        InputError, match=r"no tube was found in the donor's scan at \(300.0, 300.0, 0.0 mm\)"
    ):
        find_tubes(scan, near_mm=(300.0, 300.0, 0.0))
    with pytest.raises(ValueError, match="near_mm"):
        find_tubes(scan, near_mm=(1.0, 2.0))


def broken_and_spare():
    """Two stays side by side, the first with 40 mm missing from 90 mm on."""
    broken = intact_scan("stay", 1, length_mm=220.0, gap_mm=(90.0, 130.0), rim="crushed")
    spare = intact_scan("stay", 2, length_mm=220.0, turn=broken.turn, shift=broken.shift + (60.0, 40.0, 0.0))
    scan = together((broken.vertices, broken.faces), (spare.vertices, spare.faces))
    ends = broken.posed(np.array([broken.tube.centre(90.0), broken.tube.centre(130.0)]))
    return scan, isolate_tube(scan, Damage(*ends)), spare


def test_the_broken_tube_is_left_out_on_both_sides():
    scan, broken, spare = broken_and_spare()
    assert len(find_tubes(scan)) == 3
    (tube,) = find_tubes(scan, apart_from=broken)
    assert not same_tube(tube, broken)
    low, high = spare.span(tube.spine.points(np.array(tube.flank_mm)))
    assert high - low > 0.95 * 220.0
    with pytest.raises(InputError, match="is the broken one itself"):
        find_tubes(scan, near_mm=broken.points_mm[100], apart_from=broken)
    (same,) = find_tubes(scan, near_mm=spare.posed(spare.tube.centre(100.0)), apart_from=broken)
    assert same.u.tobytes() == tube.u.tobytes() or same_tube(same, tube)


def sheet(width_mm, height_mm, step_mm=2.0):
    """A flat rough grid as a mesh."""
    n_x, n_y = int(width_mm / step_mm), int(height_mm / step_mm)
    x, y = np.meshgrid(step_mm * np.arange(n_x), step_mm * np.arange(n_y), indexing="ij")
    z = np.random.default_rng(1).normal(0.0, 0.02, x.shape)
    k = np.arange(n_x * n_y).reshape(n_x, n_y)
    a, b, c, d = (part.ravel() for part in (k[:-1, :-1], k[1:, :-1], k[1:, 1:], k[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return np.stack([x, y, z], axis=-1).reshape(-1, 3), faces.astype(np.int32)


def ball(radius, centre, n=60):
    """A sphere of rings of latitude, open at its poles."""
    angle = np.linspace(0.05, np.pi - 0.05, n)
    rings = plain_tube.open_tube(radius=1.0, length=1.0, n_u=n, n_v=2 * n)
    at = np.repeat(angle, 2 * n)
    unit = rings[0] * np.column_stack([np.sin(at), np.sin(at), 0.0 * at])
    return radius * (unit + np.column_stack([0.0 * at, 0.0 * at, -np.cos(at)])) + centre, rings[1]


def debris(seed):
    """Loose scraps of surface, each turned and bent at random."""
    rng = np.random.default_rng(seed)
    vertices, faces = sheet(12.0, 9.0, 1.0)
    vertices = vertices + np.outer(0.03 * vertices[:, 0] ** 2, (0.0, 0.0, 1.0))
    q, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    return vertices @ q + rng.uniform(-60.0, 60.0, 3), faces


@pytest.mark.parametrize(
    "parts",
    [
        [sheet(100.0, 80.0)],
        [ball(12.0, 0.0, 40), ball(19.0, (0.0, 80.0, 0.0), 40)],
        [ball(70.0, 0.0, 60)],
        [debris(seed) for seed in range(12)],
        [plain_tube.open_tube(radius=15.0, length=25.0, n_u=30, n_v=90)],
    ],
    ids=["plate", "spheres", "large sphere", "debris", "short ring"],
)
def test_what_is_no_tube_yields_nothing(parts):
    with pytest.raises(InputError, match="no tube was found in the donor's scan: "):
        find_tubes(together(*parts))


def test_a_tube_among_what_is_none():
    case = intact_scan("stay", 9, shift=np.array([300.0, 0.0, 0.0]))
    plate, plate_faces = sheet(60.0, 50.0)
    parts = [(plate - (0.0, 0.0, 200.0), plate_faces), ball(12.0, (0.0, 0.0, -80.0), 40)]
    (tube,) = find_tubes(together((case.vertices, case.faces), *parts, debris(1), debris(2)))
    low, high = case.span(tube.spine.points(np.array(tube.flank_mm)))
    assert high - low > 0.95 * LENGTH_MM


def test_a_search_can_be_stopped():
    class Stopped(Exception):
        pass

    def stop(stage, share):
        raise Stopped(stage, share)

    with pytest.raises(Stopped):
        find_tubes(intact_scan("stay", 1).scan, progress=stop)


def test_too_little_of_a_tube_is_told():
    """A ring of 6 mm, a fifth of its diameter: no spine can be laid through it."""
    scan = together(plain_tube.open_tube(radius=16.0, length=6.0, n_u=13, n_v=96))
    near = sparse_points(scan, np.ones(len(scan.vertices_mm), dtype=bool), 0.5)
    rings = [
        Ring(np.array([0.0, 0.0, 3.0]), np.array([0.0, 0.0, way]), np.array([1.0, 0.0, 0.0]), *whole(16.0))
        for way in (-1.0, 1.0)
    ]
    damage = Damage(np.array([0.0, 0.0, 2.9]), np.array([0.0, 0.0, 3.1]))
    with pytest.raises(InputError, match=r"only \d.\d mm of the tube can be followed"):
        follow_tube(scan, near, damage, (rings[0], rings[1]), reach_mm=50.0)


def whole(radius):
    """Outline of a round ring that is seen all round."""
    return np.full(N_BINS, radius), np.ones(N_BINS, dtype=bool)


@pytest.mark.parametrize(("patience_mm", "passed"), [(0.0, False), (30.0, True)])
def test_a_hole_in_the_scan_is_passed_with_patience(patience_mm, passed):
    """A third of the turn is unseen for 12 mm; a gap right round is the tube's end with any patience."""
    vertices, faces = plain_tube.open_tube(radius=8.0, length=120.0, n_u=121, n_v=60)
    middle = vertices[faces].mean(axis=1)
    hole = (np.abs(middle[:, 2] - 80.0) < 6.0) & (middle[:, 0] > 4.0)
    for unseen, end_mm in ((hole, 120.0 if passed else 74.0), (np.abs(middle[:, 2] - 80.0) < 6.0, 74.0)):
        scan = together((vertices, faces[~unseen]))
        near = sparse_points(scan, np.ones(len(scan.vertices_mm), dtype=bool), 1.0)
        ring = Ring(
            np.array([0.0, 0.0, 30.0]), np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]), *whole(8.0)
        )
        flank = march(near, ring, length_mm=200.0, patience_mm=patience_mm)
        assert flank.centres[-1, 2] == pytest.approx(end_mm, abs=4.0)
        # A hole is no junction, but only patience can tell.
        assert flank.stopped_by == (
            "end of the scan" if end_mm == 120.0 or unseen is not hole else "junction"
        )
