"""What is said of a scan before work starts, on meshes made to have one fault each."""

import numpy as np
import pytest

import plain_tube
from gaploft.scan.findings import scan_findings
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource
from gaploft.scan.size import likely_unit


def scan_of(vertices, faces):
    source = ScanSource(file="tube.ply", sha256="", unit="mm", vertices=len(vertices), faces=len(faces))
    return scan_from_arrays(vertices, faces, mm_per_unit=1.0, source=source)


def codes(vertices, faces):
    return [note.code for note in scan_findings(scan_of(vertices, faces))]


def fine_tube(**options):
    return plain_tube.open_tube(radius=10.0, length=120.0, n_u=121, n_v=60, **options)


def joined(*meshes):
    """Several meshes as one, in pieces."""
    starts = np.cumsum([0] + [len(vertices) for vertices, _ in meshes])
    faces = [faces + start for (_, faces), start in zip(meshes, starts, strict=False)]
    return np.concatenate([vertices for vertices, _ in meshes]), np.concatenate(faces)


def test_nothing_is_said_of_a_good_scan():
    assert codes(*fine_tube()) == []


def test_its_own_notes_come_first():
    vertices, faces = fine_tube()
    scan = scan_of(vertices, np.concatenate([faces, faces[:1]]))
    assert [note.code for note in scan_findings(scan)][: len(scan.notes)] == ["repeated_faces"]


def test_a_tube_broken_through_is_in_two_pieces():
    notes = scan_findings(scan_of(*fine_tube(gap=(50.0, 70.0))))
    assert [note.code for note in notes] == ["unused_vertices", "pieces"]
    assert "2 large pieces" in notes[1].text


def test_debris_is_counted():
    scrap = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]), np.array([[0, 1, 2]])
    other = scrap[0] + 40.0, scrap[1]
    notes = scan_findings(scan_of(*joined(fine_tube(), scrap, other)))
    assert [note.code for note in notes] == ["scraps"]
    assert notes[0].text.startswith("2 loose scraps, 2 faces in all")


def test_a_closed_scan_may_have_been_filled():
    vertices, faces = fine_tube()
    middles = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 120.0]])
    ring = np.arange(60)
    bottom = np.column_stack([np.full(60, len(vertices)), np.roll(ring, -1), ring])
    top = np.column_stack([np.full(60, len(vertices) + 1), 7200 + ring, 7200 + np.roll(ring, -1)])
    assert codes(np.concatenate([vertices, middles]), np.concatenate([faces, bottom, top])) == ["no_border"]


def test_a_coarse_scan_is_told():
    assert codes(*plain_tube.open_tube(radius=16.0, length=300.0, n_u=31, n_v=20)) == ["coarse"]


@pytest.mark.parametrize(("shift", "expected"), [(3e4, []), (3e5, ["far_from_origin"])])
def test_a_scan_far_from_its_origin_is_told(shift, expected):
    """Single precision has 24 bits: at 300,000 it steps by 2^-5."""
    vertices, faces = fine_tube()
    assert codes(vertices + [0.0, -shift, 0.0], faces) == expected


def test_progress_goes_up_within_reading():
    seen = []
    scan_findings(scan_of(*fine_tube()), progress=lambda stage, share: seen.append((stage, share)))
    assert {stage for stage, _ in seen} == {"read"}
    assert [share for _, share in seen] == sorted(share for _, share in seen)
    assert seen[-1][1] == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("extent", "unit"),
    [(214.0, "mm"), (0.214, "m"), (21.4, "cm"), (3000.0, "mm"), (0.001, "mm"), (1e6, "mm")],
)
def test_the_likely_unit_makes_a_usual_size(extent, unit):
    """A part of 214 mm in the units that files come in; what fits no unit is left as most scanners write."""
    assert likely_unit(extent) == unit
