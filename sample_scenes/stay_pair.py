"""A rear end with two seat stays, opposite hands of each other, and a bridge; the left one is broken.

Makes ``scan.stl`` (mm). The left stay sways and is crimped just where it is broken, so that its flanks say
little of what is lost; the right one shows it. All is invented and seeded.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from bridge import bridged
from frame_tubes import ArcTube
from irregular import Floats
from scan_faults import ScanFaults
from scene_files import job_text, write_json, write_stl
from shaped_tube import ShapedTube
from skin_scan import scanned_skin

NAME = "stay_pair"
TITLE = "Ferrowick Lane workshop, frame 'Tessaway', left seat stay"
#: Raised whenever the bytes of the scene change.
GENERATOR_VERSION = 1
SEED = 20261128

LEFT = ShapedTube(
    (31.0, 0.0, 0.0),
    (0.07, -0.12, 1.0),
    (1.0, 0.0, 0.0),
    310.0,
    radii_start_mm=(8.2, 0.6),
    radii_end_mm=(6.6, 0.0),
    radii_swell_mm=(-0.2, 2.2),
    bend_per_mm=-1 / 2600.0,
    sway_mm=8.0,
    at_mm=171.0,
    over_mm=40.0,
)
#: The other hand, mirrored in x = 0 and then, as frames are, a little out of true.
RIGHT = replace(LEFT, start_mm=(-31.2, 0.15, -0.1), direction=(-0.0715, -0.1195, 1.0), side=(-1.0, 0.0, 0.0))
#: Where the bridge stands on both stays, and where the left one is broken.
BRIDGE_AT_MM, GAP_MM = 38.0, (142.0, 202.0)
FAULTS = ScanFaults(
    edge_mm=0.5,
    noise_mm=0.02,
    ragged_mm=2.0,
    rim="mixed",
    rim_mm=5.0,
    rim_depth_mm=0.7,
    holes=6,
    hole_mm=4.0,
    clumps=4,
)
FILLET_MM = 2.5
TURN = Rotation.from_euler("xyz", (61.0, 18.0, -44.0), degrees=True).as_matrix()
SHIFT_MM = np.array([-20.0, 75.0, 160.0])


def bridge_tube() -> ArcTube:
    """A straight oval tube from axis to axis."""
    left, right = (stay.centre(np.array([BRIDGE_AT_MM]))[0] for stay in (LEFT, RIGHT))
    way = float(np.linalg.norm(right - left))
    return ArcTube(tuple(left), tuple((right - left) / way), (0.0, 0.0, 1.0), way, (5.5, 4.5), (5.5, 4.5))


def scanned_pair(*, edge_mm: float | None = None) -> tuple[Floats, Any]:
    """Vertices (mm, in the frame of the file) and faces of the scan; ``edge_mm`` makes a coarser one."""
    rng = np.random.default_rng(SEED)
    edge = edge_mm or FAULTS.edge_mm
    skin = bridged(LEFT, RIGHT, bridge_tube(), fillet_mm=FILLET_MM, edge_mm=edge, rng=rng)
    points, faces = scanned_skin(skin, 0, GAP_MM, faults=FAULTS, rng=rng)
    return points @ TURN.T + SHIFT_MM, faces


def write_pair(folder: Path, *, edge_mm: float | None = None) -> dict[str, Any]:
    """Write the scene's folder and return what ``expected.json`` holds."""
    folder.mkdir(parents=True, exist_ok=True)
    points, faces = scanned_pair(edge_mm=edge_mm)
    told = write_stl(folder / "scan.stl", points, faces)
    truth = {
        "shape": "shaped",
        "tube": LEFT.to_json(),
        "pose": {"turn": TURN.tolist(), "shift_mm": SHIFT_MM.tolist()},
        # of the frame as it was drawn; the right stay is a little out of true
        "mirror": {"point_mm": SHIFT_MM.tolist(), "normal": TURN[:, 0].tolist()},
    }
    write_json(folder / "truth.json", truth)
    (folder / "job.toml").write_text(_job_text(), encoding="utf-8", newline="\n")
    expected = {
        "scene": TITLE,
        "generator_version": GENERATOR_VERSION,
        "seed": SEED,
        "gap_mm": GAP_MM[1] - GAP_MM[0],
        "noise_mm": FAULTS.noise_mm,
        "edge_mm": edge_mm or FAULTS.edge_mm,
        "vertices": len(points),
        **told,
    }
    write_json(folder / "expected.json", expected)
    return expected


def _job_text() -> str:
    ends = LEFT.centre(np.array(GAP_MM)) @ TURN.T + SHIFT_MM
    way = "[mirror]   # the shape is taken from the other stay of the same scan\n"
    return job_text(TITLE, ends, way)
