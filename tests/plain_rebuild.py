"""A target and an outcome made by hand, for what comes after the geometry: files, report, command line."""

import numpy as np

import plain_tube
from gaploft.evidence.model import BandSummary, BlankTest, Evidence, FitQuality, GapSize, Halves, Seam
from gaploft.job import Damage, Job, Layers
from gaploft.report.model import Rebuild
from gaploft.scan.model import Note, ScanSource
from gaploft.target.model import Target

N_U, N_V = 21, 32


def target(shift=(0.0, 0.0, 0.0)):
    """A cylinder of radius 16 and length 100, rebuilt from 10 to 90."""
    vertices, triangles = plain_tube.open_tube(length=100.0, n_u=N_U, n_v=N_V)
    z = vertices[:, 2]
    half = len(triangles) // 2
    quads = np.column_stack([triangles[:half], triangles[half:, 2]])
    return Target(
        vertices_mm=vertices + shift,
        normals=vertices * (1 / 16.0, 1 / 16.0, 0.0),
        band95_mm=0.01 + 0.02 * np.exp(-(((z - 50.0) / 25.0) ** 2)),
        zone=((z > 10.0) & (z < 90.0)).astype(np.uint8),
        quads=quads.astype(np.int32),
        triangles=triangles.astype(np.int32),
        shape=(N_U, N_V),
        chord_error_mm=16.0 * (1 - np.cos(np.pi / N_V)),
        depth_mm=np.full(N_U * N_V, 0.35),
    )


def evidence():
    return Evidence(
        gap=GapSize(80.0, 32.0, (90.0, 85.0), 120.0),
        fit=FitQuality(0.02, 0.019, 31_234),
        blank_test=BlankTest(4, 0.008, 0.015, 0.03, 80.0),
        band95_mm=BandSummary(0.02, 0.03),
        seam=Seam(0.004, 0.02),
        halves=Halves(0.01, 0.005, float("nan"), False),
    )


def rebuild(verdict="ready", made=None):
    job = Job(Damage(np.zeros(3), np.array([0.0, 0.0, 80.0])), layers=Layers(0.1, cover_mm=0.25))
    source = ScanSource("scan <1>.stl", "ab" * 32, "in", 1000, 2000)
    if verdict == "refused":
        notes = (Note("flank_short", "the flanks are 10 mm long, but 80 mm of gap need 40 mm: scan more"),)
        return Rebuild(job, source, None, None, "refused", notes)
    notes = (Note("paint_typed", "paint was typed, not <measured>"),)
    return Rebuild(job, source, evidence(), target() if made is None else made, verdict, notes, {"fit": 1.5})
