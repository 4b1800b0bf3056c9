"""Tubes that meet, found in a scan around damage, and what is told where there are none."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from gaploft.errors import EvidenceError
from gaploft.job_patch import Crease
from gaploft.patch.joined import Joined, find_joined, refitted, widened
from gaploft.patch.meeting import Meeting
from gaploft.patch.radii import given_fillet
from gaploft.patch.region import Region
from gaploft.patch.sheet import Sheet
from gaploft.patch.tubes import fit_tube
from patch_shapes import rolled, tube
from plain_tube import open_tube

BIG, SMALL, BALL, NOISE = 17.0, 12.0, 8.0, 0.02


def whole(points, normals, faces=None):
    """A region all of which is far from the damage."""
    faces = np.zeros((0, 3), dtype=np.int32) if faces is None else faces.astype(np.int32)
    return Region(points, normals, faces, np.full(len(points), 30.0), (), ())


def scanned_tube(radius, length, step=1.0, seed=0):
    """An upright tube about the origin with noise: points, normals, faces."""
    n_v = round(2 * np.pi * radius / step)
    points, faces = open_tube(radius=radius, length=length, n_u=round(length / step) + 1, n_v=n_v)
    normals = points * [1.0, 1.0, 0.0] / radius
    noise = np.random.default_rng(seed).normal(0.0, NOISE, len(points))
    return points + noise[:, None] * normals - [0.0, 0.0, length / 2], normals, faces


def ticks():
    seen = []
    return seen, seen.append


def test_a_tube_alone_is_found():
    points, normals, faces = scanned_tube(12.0, 50.0)
    seen, tick = ticks()
    found = find_joined(whole(points, normals, faces), np.ones(len(points), bool), 2.0, tick)
    assert len(found.tubes) == 1
    assert found.meeting.fillets == ()
    assert not found.on_fillet.any()
    assert found.noise_mm == pytest.approx(NOISE, rel=0.15)
    assert (found.owner == 0).mean() > 0.99
    turn = np.linspace(0.0, 6.0, 40)
    intact = np.column_stack([12.0 * np.cos(turn), 12.0 * np.sin(turn), np.linspace(-20.0, 20.0, 40)])
    assert np.abs(found.meeting.against(intact).distance).max() < NOISE
    assert seen == sorted(seen)
    assert seen[-1] <= 1.0


def side_by_side():
    one, two = scanned_tube(8.0, 30.0, 1.3), scanned_tube(8.0, 30.0, 1.3, seed=1)
    points = np.concatenate([one[0], two[0] + [19.0, 0.0, 0.0]])
    faces = np.concatenate([one[2], two[2] + len(one[0])])
    return whole(points, np.concatenate([one[1], two[1]]), faces)


def test_tubes_whose_fillet_is_not_seen_ask_for_a_crease():
    region = side_by_side()
    every = np.ones(len(region.points), bool)
    with pytest.raises(EvidenceError, match="draw their edge as a crease"):
        find_joined(region, every, 2.0, lambda share: None)
    # A sharp one between them, which they don't meet in, says that there is none.
    line = np.column_stack([np.full(5, 9.5), np.zeros(5), np.linspace(-10.0, 10.0, 5)])
    found = find_joined(region, every, 2.0, lambda share: None, (Crease(line),))
    assert len(found.tubes) == 2
    assert found.meeting.fillets == ()


def test_a_sheet_that_is_no_tube_is_refused():
    points, faces, normals = rolled(16.0, 40.0, 40.0)
    with pytest.raises(EvidenceError, match="this sheet"):
        find_joined(whole(points, normals, faces), np.ones(len(points), bool), 2.0, lambda share: None)


def test_a_tube_that_does_not_explain_the_scan_is_refused():
    """A twelfth of its points, here and there, off by ten times the noise."""
    points, normals, faces = scanned_tube(12.0, 50.0)
    off = 0.2 * (np.random.default_rng(3).random(len(points)) < 1.0 / 12.0)
    rough = whole(points + off[:, None] * normals, normals, faces)
    with pytest.raises(EvidenceError, match=r"explain 9[0-2] % of the scan"):
        find_joined(rough, np.ones(len(points), bool), 2.0, lambda share: None)


def test_without_a_smooth_sheet_there_is_no_tube():
    """A hollow of 10 mm radius all over: the inside of a tube."""
    points, normals, faces = scanned_tube(10.0, 30.0)
    inside = whole(points, -normals, faces[:, ::-1])
    with pytest.raises(EvidenceError, match="no smooth sheet of any size"):
        find_joined(inside, np.ones(len(points), bool), 2.0, lambda share: None)


# Fitted again


@lru_cache(maxsize=1)
def tee():
    """A main tube, a branch and their fillet with noise: joined, the region, and the part of each point."""
    rng = np.random.default_rng(0)
    exact = Meeting((tube(BIG, 120.0, "z"), tube(SMALL, 120.0, "x")))
    exact = exact.with_fillets((given_fillet(exact, (0, 1), BALL, np.array([BIG, 0.0, 0.0])),))
    turn, along = rng.uniform(0, 2 * np.pi, 4000), rng.uniform(-40.0, 40.0, 4000)
    main = np.column_stack([BIG * np.cos(turn), BIG * np.sin(turn), along])
    branch = np.column_stack([35.0 + 0.5 * along, SMALL * np.cos(turn), SMALL * np.sin(turn)])
    near = np.concatenate([main, branch])
    found = exact.against(near)
    # What lies in the hollow comes onto the fillet.
    points = exact.onto(near[np.abs(found.distance) < 4.0])
    against = exact.against(points)
    points = points + rng.normal(0.0, NOISE, len(points))[:, None] * against.normal
    region, part = whole(points, against.normal), against.part
    tubes = tuple(fit_tube(points[part == k], against.normal[part == k], 14.0) for k in range(2))
    meeting = Meeting(
        tuple(Sheet(one.surface) for one in tubes), spreads=tuple(one.intact.shape.spread for one in tubes)
    )
    fillet = replace(given_fillet(meeting, (0, 1), 7.0, np.array([BIG, 0.0, 0.0])), typed=False)
    owner = np.where(part < 2, part, -1)
    return Joined(meeting.with_fillets((fillet,)), tubes, owner, NOISE, part == 2, 12.0), region, part


def test_fitted_again_it_is_the_same_junction():
    joined, region, part = tee()
    again = refitted(joined, region, np.zeros(len(part), bool))
    assert again.meeting.fillets[0].radius_mm == pytest.approx(BALL, abs=0.05)
    assert again.meeting.fillets[0].kind == "ball"
    assert np.sqrt(np.mean(again.meeting.against(region.points).distance ** 2)) == pytest.approx(
        NOISE, rel=0.15
    )
    assert_array_equal(again.owner, joined.owner)
    assert_array_equal(again.on_fillet, joined.on_fillet)


def test_without_some_points_it_does_not_know_them():
    """Points that are moved by a millimetre and left out change nothing."""
    joined, region, _ = tee()
    out = np.linalg.norm(region.points - [17.0, 8.0, -10.0], axis=1) < 9.0
    assert out.sum() > 50
    moved = whole(region.points + 1.0 * out[:, None] * region.normals, region.normals)
    one, two = refitted(joined, region, out), refitted(joined, moved, out)
    assert two.meeting.fillets[0].radius_mm == one.meeting.fillets[0].radius_mm
    assert (one.owner[out] == -1).all()
    off = one.meeting.against(region.points[out]).distance
    assert np.sqrt(np.mean(off**2)) < 2.0 * NOISE
    assert_allclose(one.meeting.spreads[0](0.0, 0.0), two.meeting.spreads[0](0.0, 0.0))


def test_a_typed_radius_stays():
    joined, region, part = tee()
    (fillet,) = joined.meeting.fillets
    typed = replace(joined, meeting=joined.meeting.with_fillets((replace(fillet, typed=True),)))
    again = refitted(typed, region, part == 2).meeting.fillets[0]
    assert again.typed
    assert again.radius_mm == fillet.radius_mm


def test_widened_to_all_points_each_finds_its_part():
    joined, region, part = tee()
    known = refitted(joined, region, np.linalg.norm(region.points - [17.0, 8.0, -10.0], axis=1) < 9.0)
    wide = widened(known, region, np.ones(len(part), bool))
    assert ((wide.owner == part) | (wide.owner == -1)).mean() > 0.97
    assert (wide.owner == -1)[part < 2].mean() < 0.1
    assert wide.on_fillet[part == 2].mean() > 0.9
    assert wide.meeting.fillets[0].radius_mm == pytest.approx(BALL, abs=0.03)


def test_too_little_of_a_fillet_is_told():
    joined, region, part = tee()
    with pytest.raises(EvidenceError, match="too little of a fillet is left"):
        refitted(joined, region, part == 2)


def test_too_little_of_a_tube_is_told():
    joined, region, part = tee()
    with pytest.raises(EvidenceError, match="sheet"):
        refitted(joined, region, (part == 1) & (region.points[:, 1] > -2.0))


def test_a_wrong_radius_keeps_the_points_that_tell_the_right_one():
    """Most of a fillet is farther off one of another radius than noise is."""
    joined, region, part = tee()
    meeting = joined.meeting
    wrong = replace(given_fillet(meeting, (0, 1), 6.5, np.array([BIG, 0.0, 0.0])), typed=False)
    again = widened(replace(joined, meeting=meeting.with_fillets((wrong,))), region, np.ones(len(part), bool))
    assert (again.on_fillet & (part == 2)).sum() > 0.7 * (part == 2).sum()
    assert again.meeting.fillets[0].radius_mm == pytest.approx(BALL, abs=0.05)
