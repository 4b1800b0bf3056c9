"""Finding a tube on a shelf: the right one first, where it lies, and each step beside a plain second way."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from gaploft.donor.laid import Ground
from gaploft.donor.rings import STEP_MM, rings_of
from gaploft.errors import Cancelled, InputError
from gaploft.shelf.descriptor import HALF_WINDOW, descriptor, outlines_from, outlines_of, turn_free
from gaploft.shelf.fields import in_own_frame
from gaploft.shelf.model import Entry, Provenance
from gaploft.shelf.ranking import broken_tube
from gaploft.shelf.search import search
from gaploft.shelf.sieve import UNSHOWN_MM, sift
from gaploft.shelf.store import write_entry
from section_shapes import d_section, ellipse
from shelf_tubes import KINDS, anywhere, query_of, shape_of, tube
from tube_shapes import Kind, round_tube, stay, twisted_oval

PROVENANCE = Provenance("a.stl", "00" * 32, "intact", 0.02, "2024-05-17")
N_TUBES = 2 * len(KINDS)
#: Outlines are kept up to their eighth wave and 3 mm apart; of the same tube hardly anything differs.
SAME_MM = 0.003


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    """Two tubes of each family."""
    folder = tmp_path_factory.mktemp("shelf")
    for number in range(N_TUBES):
        write_entry(folder / f"{number:02}.tube", Entry(f"tube {number}", tube(number), PROVENANCE))
    return folder


def broken(number, rng):
    """A shelf's tube somewhere else, maybe the other way round, its gap, and a search for it."""
    shape = anywhere(tube(number), rng)
    back = bool(rng.random() < 0.5)
    shape = shape.reversed() if back else shape
    first, last = shape.range_u
    length = min(2.0 * shape.sweep.radius_mm * rng.uniform(1.0, 3.0), last - first - 120.0)
    start = rng.uniform(first + 60.0, last - 60.0 - length)
    gap = (start, start + length)
    return shape, gap, back, query_of(shape, gap, tuple(rng.uniform(60.0, 110.0, 2)))


@pytest.mark.parametrize("number", range(N_TUBES), ids=[f"{k}-{i}" for i in range(2) for k in KINDS])
def test_the_right_tube_is_first_and_lies_where_it_should(shelf, number):
    shape, gap, _, query = broken(number, np.random.default_rng([1, number]))
    found = search(shelf, query)
    first = found.candidates[0]
    assert first.name == f"tube {number}"
    assert first.misfit_mm < SAME_MM
    assert found.searched == N_TUBES
    assert not found.skipped
    assert all(
        a.misfit_mm <= b.misfit_mm for a, b in zip(found.candidates, found.candidates[1:], strict=False)
    )
    # What nobody showed the search: the surface in the gap.
    points = shape.surface.evaluate(np.linspace(*gap, 9)[:, None], np.arange(24) * 0.26).reshape(-1, 3)
    assert np.abs(Ground.of(first.shape).feet(points).distance_mm).max() < 0.02


def test_where_it_lies_is_told(shelf):
    number = KINDS.index("d_section")
    shape, gap, back, query = broken(number, np.random.default_rng(7))
    first = search(shelf, query).candidates[0]
    whole = tube(number).range_u
    place = np.mean(gap) if not back else -np.mean(gap)
    assert first.where.reversed == back
    assert not first.where.mirrored
    assert first.where.at_mm == pytest.approx(place - whole[0], abs=0.5)
    own = in_own_frame(tube(number)).surface
    u = np.linspace(10.0, 200.0, 20)
    there = own.evaluate(u, 0.0) @ first.where.matrix[:3, :3].T + first.where.matrix[:3, 3]
    true = shape.surface.evaluate(*((-u - whole[0], 0.0) if back else (u + whole[0], 0.0)))
    assert np.abs(there - true).max() < 0.1


def test_a_mirror_image_serves_only_when_asked(tmp_path):
    """A twisted tube bent out of the plane of its ovals has no symmetry that a mirror would not break."""
    kind = twisted_oval(19.0, 13.0, 35.0, 1.0)
    whole = shape_of(Kind(kind.section, stay(9.0, 6.0, 1.0, 0.0, 1500.0, 1.0).heading_rad), 300.0)
    write_entry(tmp_path / "left.tube", Entry("left", whole, PROVENANCE))
    right = anywhere(whole.reflected(), np.random.default_rng(3))
    middle = float(np.mean(right.range_u))
    query = query_of(right, (middle - 25.0, middle + 25.0), (80.0, 80.0))
    (plain,) = search(tmp_path, query).candidates
    assert plain.misfit_mm > 0.2
    assert not plain.where.mirrored
    (mirrored,) = search(tmp_path, query, mirrored=True).candidates
    assert mirrored.misfit_mm < SAME_MM
    assert mirrored.where.mirrored


def test_of_a_tube_that_is_not_there_the_misfit_tells(shelf):
    odd = shape_of(
        Kind(lambda s: d_section(34.0 - 5.0 * s, 8.0, 4.0, 160), round_tube(1.0).heading_rad), 300.0
    )
    middle = float(np.mean(odd.range_u))
    found = search(shelf, query_of(odd, (middle - 20.0, middle + 20.0), (90.0, 90.0)))
    assert found.candidates[0].misfit_mm > 0.3


def test_bad_files_are_skipped_and_named(shelf, tmp_path):
    number = KINDS.index("oval")
    for name in ("02", "03", "04", "14"):
        (tmp_path / f"{name}.tube").write_bytes((shelf / f"{name}.tube").read_bytes())
    cut = (tmp_path / "03.tube").read_bytes()[:9000]
    (tmp_path / "03.tube").write_bytes(cut)
    (tmp_path / "10.tube").write_text("a list of tubes\n")
    (tmp_path / "notes.txt").write_text("not looked at")
    (tmp_path / "older").mkdir()
    # Sound at the beginning, which is all that is read of a tube that does not fit.
    data = bytearray((tmp_path / "14.tube").read_bytes())
    data[-3000] ^= 1
    (tmp_path / "14.tube").write_bytes(data)
    found = search(tmp_path, broken(number, np.random.default_rng(2))[3])
    assert found.candidates[0].name == f"tube {number}"
    assert found.searched == 3
    assert [name for name, _ in found.skipped] == ["03.tube", "10.tube", "14.tube"]
    assert all(str(tmp_path / name) in sentence for name, sentence in found.skipped)


def test_a_shelf_may_be_empty_but_not_missing(tmp_path):
    query = broken(0, np.random.default_rng(2))[3]
    found = search(tmp_path, query)
    assert (found.candidates, found.searched, found.skipped) == ((), 0, ())
    with pytest.raises(InputError, match=r"the shelf .* can't be read \(.*\): name the folder"):
        search(tmp_path / "missing", query)


def test_a_tube_has_to_reach_across_the_gap_and_some_of_both_flanks(tmp_path):
    whole = shape_of(stay(11.0, 9.0, 1.2, 30.0, 900.0, 1.0), 300.0)
    middle = float(np.mean(whole.range_u))
    radius = whole.sweep.radius_mm
    for name, beyond in (("enough", 2.0 * radius + 12.0), ("short", 2.0 * radius - 12.0)):
        piece = whole.restricted(middle - 30.0 - beyond, middle + 30.0 + beyond)
        write_entry(tmp_path / f"{name}.tube", Entry(name, piece, PROVENANCE))
    found = search(tmp_path, query_of(whole, (middle - 30.0, middle + 30.0), (100.0, 100.0)))
    assert [c.name for c in found.candidates] == ["enough"]
    assert found.candidates[0].misfit_mm < SAME_MM
    assert found.too_short == 1


@dataclass(frozen=True)
class Laid:
    misfit_mm: float


def test_the_last_word_has_whoever_lays_the_tubes_onto_the_points(shelf):
    number = KINDS.index("stay")
    shape, gap, _, query = broken(number, np.random.default_rng(4))
    seen = []

    def register(whole):
        seen.append(whole)
        return None if len(seen) == 1 else Laid(10.0 - len(seen))

    found = search(shelf, query, register=register, best=4)
    assert len(seen) == 4
    assert [c.misfit_mm for c in found.candidates] == [6.0, 7.0, 8.0]
    assert found.candidates[0].fit == Laid(6.0)
    # The right one came first, laid already, with stations that run as the broken tube's do.
    at, ends = np.array([gap[0] - 20.0, gap[1] + 20.0]), []
    for place in shape.surface.evaluate(at[:, None], np.arange(24) * 0.26).mean(axis=1):
        u = np.linspace(*seen[0].range_u, 400)
        rings = seen[0].surface.evaluate(u[:, None], np.arange(24) * 0.26).mean(axis=1)
        ends.append(u[np.argmin(((rings - place) ** 2).sum(axis=1))])
    assert ends[1] - ends[0] == pytest.approx(at[1] - at[0], abs=2.0)


def test_progress_rises_and_can_stop_the_search(shelf):
    query = broken(0, np.random.default_rng(2))[3]
    told = []
    search(shelf, query, progress=lambda stage, share: told.append((stage, share)))
    shares = [share for _, share in told]
    assert {stage for stage, _ in told} == {"shelf"}
    assert shares == sorted(shares)
    assert 0.0 <= shares[0] < shares[-1] <= 1.0

    def stop(stage, share):
        raise Cancelled

    with pytest.raises(Cancelled):
        search(shelf, query, progress=stop)


def test_a_tube_of_which_nothing_is_seen_can_not_be_searched_for(shelf):
    query = broken(0, np.random.default_rng(2))[3]
    with pytest.raises(ValueError, match="nothing is seen"):
        search(shelf, replace(query, gap_mm=(-1e4, 1e4)))


# The steps, each beside another way to the same.


@pytest.fixture(scope="module")
def whole():
    return in_own_frame(tube(KINDS.index("d_section")))


def test_a_descriptor_does_not_depend_on_the_pose(whole):
    moved = in_own_frame(anywhere(whole, np.random.default_rng(1)))
    np.testing.assert_allclose(descriptor(moved), descriptor(whole), rtol=0.0, atol=1e-4)


def test_outlines_from_the_other_end_and_in_a_mirror_are_those_of_such_a_tube(whole):
    """The shape's own reversal and reflection are another code."""
    own = outlines_from(descriptor(whole))
    n = len(own.seen)
    mirrored = outlines_from(descriptor(whole.reflected()))
    other = own.reflected()
    np.testing.assert_allclose(mirrored.centres_mm, other.centres_mm, atol=1e-3)
    np.testing.assert_allclose(mirrored.axes, other.axes, atol=1e-3)
    np.testing.assert_allclose(mirrored.waves_mm, other.waves_mm, atol=2e-3)
    back = outlines_of(rings_of(whole.reversed().surface, whole.reversed().range_u))
    free, turned = turn_free(back.table), turn_free(own.reversed().table)
    # Both begin at their own ends, and so somewhat apart.
    apart = float(np.linalg.norm(back.centres_mm[0] - own.centres_mm[-1])) / STEP_MM
    assert apart < 2.0
    station = np.arange(10, n - 10)
    there = np.array([np.interp(station - apart, np.arange(n), column) for column in turned.T]).T
    np.testing.assert_allclose(free[station], there, atol=2e-3)
    assert np.linalg.det(back.axes) == pytest.approx(1.0)
    assert np.linalg.det(own.reversed().axes) == pytest.approx(1.0)
    assert np.linalg.det(other.axes) == pytest.approx(1.0)


def test_differences_of_outlines_are_mm_of_misfit():
    """Parseval: the mean square of the radial distance between two ellipses, summed up over the angle."""
    one, other = (
        outlines_of(rings_of(s.surface, s.range_u))
        for s in (
            shape_of(Kind(lambda s, b=b: ellipse(14.0, b, 96), round_tube(1.0).heading_rad), 250.0)
            for b in (12.0, 12.4)
        )
    )
    angle = np.linspace(0.0, 2.0 * np.pi, 100_000)

    def radius(a, b):
        return a * b / np.hypot(b * np.cos(angle), a * np.sin(angle))

    square = np.mean((radius(14.0, 12.0) - radius(14.0, 12.4)) ** 2)
    apart = turn_free(one.table) - turn_free(other.table)
    assert (apart[20, :-1] ** 2).sum() == pytest.approx(square, rel=0.01)


def test_bend_is_how_far_100_mm_of_the_arc_leave_a_straight_line():
    """By a straight line through points of the arc, least squares."""
    radius = 400.0
    shape = shape_of(stay(9.0, 9.0, 1.0, 0.0, radius, 1.0), 300.0)
    outlines = outlines_of(rings_of(shape.surface, shape.range_u))
    angle = np.linspace(-50.0 / radius, 50.0 / radius, 20_001)
    x, y = radius * np.sin(angle), radius * (1.0 - np.cos(angle))
    off = np.sqrt(np.mean((y - np.polyval(np.polyfit(x, y, 1), x)) ** 2))
    assert np.abs(outlines.bend_mm) == pytest.approx(off, rel=0.01)
    free = turn_free(outlines.table)
    assert free[HALF_WINDOW:-HALF_WINDOW, -1] == pytest.approx(np.abs(outlines.bend_mm), rel=1e-4)
    assert not free[:HALF_WINDOW, -1].any()


def naive(tube_, mine, theirs, slide):
    """Misfit at a whole slide by a loop over sections; None where a tube is too short."""
    seen = tube_.outlines.seen
    n, h = len(seen), HALF_WINDOW
    if tube_.first + slide < 0 or tube_.last + slide >= len(theirs):
        return None
    square = 0.0
    for j in range(n):
        i = j + slide
        if not seen[j]:
            continue
        if not 0 <= i < len(theirs):
            square += UNSHOWN_MM**2
            continue
        square += ((mine[j, :-1] - theirs[i, :-1]) ** 2).sum()
        if h <= j < n - h and seen[j - h : j + h + 1].all() and h <= i < len(theirs) - h:
            square += (mine[j, -1] - theirs[i, -1]) ** 2
    return square / seen.sum()


def test_the_sieve_is_a_loop_over_slides_done_at_once():
    rng = np.random.default_rng(8)
    tube_ = broken_tube(broken(KINDS.index("s_stay"), rng)[3])
    tables = [descriptor(in_own_frame(tube(number))) for number in (0, 2, 4, 5, 7, 10)]
    tables.append(tables[5][:20])
    forth, back = sift(tube_, tables)
    mine = turn_free(tube_.outlines.table)
    for ways, turned in ((forth, False), (back, True)):
        for n, table in enumerate(tables):
            own = outlines_from(table).reversed().table if turned else table
            theirs = turn_free(own)
            squares = [naive(tube_, mine, theirs, slide) for slide in range(-len(mine), len(own))]
            squares = {k - len(mine): s for k, s in enumerate(squares) if s is not None}
            if not squares:
                assert ways.misfit_mm[n] == np.inf
                continue
            lowest = min(squares, key=squares.get)
            assert abs(ways.slide[n] - lowest) <= 0.5 + 1e-9 or squares[
                round(ways.slide[n])
            ] == pytest.approx(squares[lowest], rel=1e-6)
            near = [squares.get(lowest + k) for k in (-1, 0, 1)]
            value = squares[lowest]
            if None not in near:
                a, b, _ = np.polyfit([-1.0, 0.0, 1.0], near, 2)
                value -= b * b / (4.0 * a) if a > 0.0 else 0.0
            assert ways.misfit_mm[n] ** 2 == pytest.approx(value, rel=1e-4, abs=1e-6)


def test_stations_are_even_along_the_spine_whatever_the_sections_own_are(whole):
    rings = rings_of(whole.surface, whole.range_u)
    coarse = replace(
        rings,
        **{
            name: getattr(rings, name)[np.r_[0:40:2, 40 : len(rings.at_mm)]]
            for name in ("at_mm", "centres_mm", "axes", "radius_mm", "points_mm", "seen")
        },
    )
    even, same = outlines_of(coarse), outlines_of(rings)
    steps = np.linalg.norm(np.diff(even.centres_mm, axis=0), axis=1)
    assert np.abs(steps - STEP_MM).max() < 0.01
    n = min(len(even.seen), len(same.seen))
    np.testing.assert_allclose(even.centres_mm[:n], same.centres_mm[:n], atol=0.05)
    turned = Rotation.from_matrix(even.axes[:n]).inv() * Rotation.from_matrix(same.axes[:n])
    assert np.rad2deg(turned.magnitude()).max() < 0.5
