"""Other settings for a tube that was rebuilt before: what comes out is what a fresh rebuild gives."""

from dataclasses import replace

import numpy as np
import pytest

import plain_tube
from gaploft.job import Damage, HalvesSettings, Job, Layers, TargetSettings
from gaploft.pipeline import rebuild, rebuild_changed
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource

NOISE_MM = 0.02
MARKS = np.array([[0.0, 0.0, 130.0], [0.0, 0.0, 160.0]])
JOB = Job(Damage(*MARKS))


@pytest.fixture(scope="module")
def scan():
    """A round tube that is missing some 30 mm, its far half moved by half a millimetre."""
    vertices, faces = plain_tube.open_tube(length=300.0, n_u=151, n_v=100, gap=(130.0, 160.0), taper=0.01)
    rng = np.random.default_rng(5)
    vertices[:, :2] *= 1.0 + rng.normal(0.0, NOISE_MM / 16.0, len(vertices))[:, None]
    vertices[vertices[:, 2] > 145.0, 0] += 0.5
    source = ScanSource("tube.stl", "00" * 32, "mm", len(vertices), len(faces))
    return scan_from_arrays(vertices, faces, mm_per_unit=1.0, source=source)


@pytest.fixture(scope="module")
def first(scan):
    return rebuild(scan, JOB)


class Told:
    """Remembers which stages were done."""

    def __init__(self):
        self.stages = set()

    def __call__(self, stage, share):
        self.stages.add(stage)


@pytest.mark.parametrize(
    ("job", "stages"),
    [
        (replace(JOB, target=TargetSettings(chord_tolerance_mm=0.02)), {"mesh"}),
        (replace(JOB, layers=Layers(0.1, cover_mm=0.4)), {"mesh"}),
        (replace(JOB, target=TargetSettings(overlap_mm=18.0)), {"evidence", "mesh"}),
        (replace(JOB, halves=HalvesSettings("reseat", "to")), {"fit", "evidence", "mesh"}),
    ],
    ids=["chord", "layers", "overlap", "halves"],
)
def test_a_changed_setting_gives_what_a_fresh_rebuild_does(scan, first, job, stages):
    told = Told()
    again, fresh = rebuild_changed(first.stages, job, progress=told), rebuild(scan, job)
    assert told.stages == stages
    for field in ("vertices_mm", "band95_mm", "zone", "quads", "triangles"):
        np.testing.assert_array_equal(getattr(again.target, field), getattr(fresh.target, field))
    assert repr(again.evidence) == repr(fresh.evidence)  # what is not known is not a number
    assert (again.verdict, again.warnings, again.job) == (fresh.verdict, fresh.warnings, job)


def test_changes_can_follow_each_other(scan, first):
    wider = rebuild_changed(first.stages, replace(JOB, target=TargetSettings(overlap_mm=18.0)))
    back = rebuild_changed(wider.stages, JOB)
    np.testing.assert_array_equal(back.target.vertices_mm, first.target.vertices_mm)
    np.testing.assert_array_equal(back.target.band95_mm, first.target.band95_mm)


def test_layers_that_can_not_be_taken_off_are_refused_and_can_be_taken_back(first):
    refused = rebuild_changed(first.stages, replace(JOB, layers=Layers(0.0, 17.0)))
    assert (refused.verdict, refused.target) == ("refused", None)
    assert "thinner layers" in refused.warnings[-1].text
    assert rebuild_changed(refused.stages, JOB).verdict == first.verdict


def test_another_damage_is_not_taken(first):
    moved = Job(Damage(MARKS[0], MARKS[1] + [0.0, 0.0, 1.0]))
    with pytest.raises(ValueError, match="call rebuild"):
        rebuild_changed(first.stages, moved)


@pytest.mark.parametrize(
    ("other", "same"),
    [
        (Damage(*MARKS.copy()), True),
        (Damage(MARKS[0] + 1e-9, MARKS[1]), False),
        (Damage(MARKS[0], MARKS[1] + 1e-9), False),
        (Damage(*MARKS, source_vertices=np.arange(3)), False),
    ],
)
def test_the_same_damage(other, same):
    assert JOB.damage.same_as(other) is same
    assert other.same_as(JOB.damage) is same


def test_the_same_damaged_vertices():
    one = Damage(*MARKS, source_vertices=np.arange(3))
    assert one.same_as(Damage(*MARKS, source_vertices=np.arange(3)))
    assert not one.same_as(Damage(*MARKS, source_vertices=np.arange(4)))
