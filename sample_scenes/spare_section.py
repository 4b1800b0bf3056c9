"""A broken down tube and the scan of a spare section of the same model.

Makes ``scan.stl`` (mm, broken over more than the shape of its flanks can tell) and ``spare.stl`` (cm, in
another pose, cut elsewhere, under a thicker paint). All is invented and seeded.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from irregular import Floats
from scan_faults import ScanFaults
from scan_like import Scan, scan_like
from scene_files import job_text, write_json, write_stl
from shaped_tube import ShapedTube

NAME = "spare_section"
TITLE = "Ferrowick Lane workshop, frame 'Marrenby', down tube"
#: Raised whenever the bytes of the scene change.
GENERATOR_VERSION = 1
SEED = 20261127

#: A flattened D that narrows and sways where a bottle would stand.
TUBE = ShapedTube(
    (0.0, 0.0, 0.0),
    (0.0, 0.1, 1.0),
    (1.0, 0.0, 0.0),
    430.0,
    radii_start_mm=(22.0, 8.0, -8.5, 3.0, 0.5, -1.0),
    radii_end_mm=(18.5, -4.0, -5.0, 2.0),
    radii_swell_mm=(-1.1, 1.2, 0.8),
    bend_per_mm=-1 / 1800.0,
    sway_mm=3.0,
    at_mm=212.0,
    over_mm=60.0,
)
#: What the two scans show of the tube's length, and where it is broken.
SCANNED_MM, SPARE_MM, GAP_MM = (0.0, 395.0), (70.0, 430.0), (150.0, 260.0)
FAULTS = ScanFaults(
    edge_mm=0.8,
    noise_mm=0.025,
    ragged_mm=3.0,
    rim="crushed",
    rim_mm=7.0,
    rim_depth_mm=1.0,
    holes=5,
    hole_mm=7.0,
    clumps=4,
)
SPARE_FAULTS = ScanFaults(edge_mm=0.75, noise_mm=0.02, ragged_mm=0.0, holes=4, hole_mm=6.0)
#: How much thicker the paint of the spare section is.
PAINT_MM = 0.08
SPARE_UNIT, MM_PER_UNIT = "cm", 10.0
#: From the tube's own frame to that of the scan, and to that of the spare section's scan (mm).
TURN = Rotation.from_euler("xyz", (-31.0, 48.0, 12.0), degrees=True).as_matrix()
SHIFT_MM = np.array([-85.0, 140.0, 52.0])
SPARE_TURN = Rotation.from_euler("xyz", (102.0, -17.0, 141.0), degrees=True).as_matrix()
SPARE_SHIFT_MM = np.array([310.0, 26.0, -190.0])


def _scanned(
    span_mm: tuple[float, float],
    gap_mm: tuple[float, float],
    faults: ScanFaults,
    seed: int,
    *,
    paint_mm: float = 0.0,
) -> Scan:
    """A stretch of the tube as the scanner shows it, in the tube's own frame."""
    start, stop = span_mm

    def evaluate(along: Floats, around: Floats) -> tuple[Floats, Floats]:
        points, normals = TUBE.evaluate(along + start, around)
        return points + paint_mm * normals, normals

    return scan_like(
        evaluate,
        length_mm=stop - start,
        perimeter_mm=TUBE.perimeter_mm(),
        gap_mm=(gap_mm[0] - start, gap_mm[1] - start),
        faults=faults,
        rng=np.random.default_rng(seed),
    )


def spare_motion() -> tuple[Floats, Floats]:
    """Turn and shift (mm) that carry the spare section's scan into the frame of the broken one."""
    turn = TURN @ SPARE_TURN.T
    return turn, SHIFT_MM - turn @ SPARE_SHIFT_MM


def write_spare(folder: Path, *, edge_mm: float | None = None) -> dict[str, Any]:
    """Write the scene's folder and return what ``expected.json`` holds; ``edge_mm`` makes coarser scans."""
    folder.mkdir(parents=True, exist_ok=True)
    edge, spare_edge = edge_mm or FAULTS.edge_mm, edge_mm or SPARE_FAULTS.edge_mm
    broken = _scanned(SCANNED_MM, GAP_MM, replace(FAULTS, edge_mm=edge), SEED)
    # a gap of no length at the end of the stretch is none
    end = (SPARE_MM[1], SPARE_MM[1])
    spare = _scanned(SPARE_MM, end, replace(SPARE_FAULTS, edge_mm=spare_edge), SEED + 1, paint_mm=PAINT_MM)
    sums = {
        "scan": write_stl(folder / "scan.stl", broken.vertices @ TURN.T + SHIFT_MM, broken.faces),
        "spare": write_stl(
            folder / "spare.stl",
            spare.vertices @ SPARE_TURN.T + SPARE_SHIFT_MM,
            spare.faces,
            mm_per_unit=MM_PER_UNIT,
        ),
    }
    turn, shift = spare_motion()
    truth = {
        "shape": "shaped",
        "tube": TUBE.to_json(),
        "pose": {"turn": TURN.tolist(), "shift_mm": SHIFT_MM.tolist()},
        "donor": {"turn": turn.tolist(), "shift_mm": shift.tolist()},
    }
    write_json(folder / "truth.json", truth)
    (folder / "job.toml").write_text(_job_text(), encoding="utf-8", newline="\n")
    expected = {
        "scene": TITLE,
        "generator_version": GENERATOR_VERSION,
        "seed": SEED,
        "gap_mm": GAP_MM[1] - GAP_MM[0],
        "noise_mm": FAULTS.noise_mm,
        "edge_mm": edge,
        "spare_unit": SPARE_UNIT,
        "spare_paint_mm": PAINT_MM,
        "files": sums,
    }
    write_json(folder / "expected.json", expected)
    return expected


def _job_text() -> str:
    ends = TUBE.centre(np.array(GAP_MM)) @ TURN.T + SHIFT_MM
    way = (
        "[donor]   # a spare section of the same model, scanned on its own\n"
        f'file = "spare.stl"\nunit = "{SPARE_UNIT}"\nmirrored = false\n'
    )
    return job_text(TITLE, ends, way)
