"""A seat stay that meets a seat tube, crushed on one side of the junction: over the fillet onto both tubes.

Makes ``scan.stl`` (mm). No tube runs through the damage, so that the surface comes from a patch. All is
invented and seeded.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from broken_rims import damaged_rim, ring_noise
from irregular import Floats, compacted, correlated_noise, vertex_normals
from junction import Skin
from rolled_joint import RolledJoint, rolled
from scan_faults import ScanFaults, with_clumps
from scene_files import row, write_json, write_stl

NAME = "stay_junction"
TITLE = "Ferrowick Lane workshop, frame 'Quennick', left stay on the seat tube"
#: Raised whenever the bytes of the scene change.
GENERATOR_VERSION = 1
SEED = 20261129

JOINT = RolledJoint(main_radius_mm=16.0, branch_radius_mm=8.0, direction=(0.93, 0.0, 0.37), fillet_mm=6.0)
#: What was scanned: the seat tube from and to, the stay as far from the seat tube's axis.
MAIN_MM, BRANCH_MM = (-44.0, 54.0), 90.0
#: The damage is marked within this of its middle, half way over the fillet at its utmost to one side.
HALF_MM = 11.0
FAULTS = ScanFaults(
    edge_mm=0.6,
    noise_mm=0.02,
    ragged_mm=2.0,
    rim="mixed",
    rim_mm=5.0,
    rim_depth_mm=0.6,
    holes=4,
    hole_mm=5.0,
    clumps=3,
)
#: What the rebuild has to keep to: error against the truth, mm, and share of it within the band.
BOUNDS = {"rms_mm": 0.05, "max_mm": 0.2, "least_in_band95": 0.8}
#: Points of the outline in the job, and how far beyond the ragged border a hand draws it, mm.
_DRAWN, _BEYOND_MM = 28, 1.0
TURN = Rotation.from_euler("xyz", (-52.0, 27.0, 118.0), degrees=True).as_matrix()
SHIFT_MM = np.array([64.0, -118.0, 231.0])


@dataclass(frozen=True)
class Wreck:
    """The damage at each vertex: still ``seen``, and by how much it stands off the original surface."""

    seen: NDArray[np.bool_]
    height_mm: Floats


def middle() -> Floats:
    """The middle of the damage, (3,), in the joint's own frame."""
    turns = np.linspace(0.0, 2 * np.pi, 720, endpoint=False)
    line = JOINT.arc(turns, np.full(720, 0.5))
    return np.asarray(line[np.argmax(line[:, 1])])


def wrecked(skin: Skin, rng: np.random.Generator) -> Wreck:
    """Crush one side of the junction: a hole with wreckage about it, and damaged rims beyond."""
    away, around = _about(skin.points)
    beyond = away - (HALF_MM - FAULTS.ragged_mm * ring_noise(around, rng=rng))
    lumps = ring_noise(around, rng=rng, waves=5)
    lost = -beyond > (0.35 + 0.3 * lumps) * HALF_MM
    wreck = -(1.0 + 2.5 * lumps) * np.clip(-beyond / 3.0, 0.0, 1.0) + rng.normal(0.0, 0.2, len(beyond))
    return Wreck(~lost, np.where(beyond <= 0.0, wreck, damaged_rim(beyond, around, FAULTS, rng)))


def outline() -> Floats:
    """The damage as a hand draws it around: a closed loop of points on the original surface, (n, 3)."""
    first, second, _ = _axes()
    angle = np.linspace(0.0, 2 * np.pi, _DRAWN, endpoint=False)[:, None]
    reach, points = HALF_MM + _BEYOND_MM, middle() + np.cos(angle) * first + np.sin(angle) * second
    for _ in range(40):
        spoke = points - middle()
        points = middle() + reach * spoke / np.linalg.norm(spoke, axis=1, keepdims=True)
        away, normal = JOINT.closest(points)
        points = points - away[:, None] * normal
    return points


def _axes() -> tuple[Floats, Floats, Floats]:
    """Two directions along the surface in the middle of the damage, and the normal there."""
    normal = JOINT.closest(middle()[None])[1][0]
    first = np.cross(normal, [0.0, 0.0, 1.0])
    first /= np.linalg.norm(first)
    return first, np.cross(normal, first), normal


def _about(points: Floats) -> tuple[Floats, Floats]:
    """How far points are from the middle of the damage, and in which direction, as a share of a turn."""
    first, second, _ = _axes()
    offset = points - middle()
    return np.linalg.norm(offset, axis=1), np.arctan2(offset @ second, offset @ first) / (2 * np.pi) % 1.0


def scanned_junction(*, edge_mm: float | None = None) -> tuple[Floats, Any]:
    """Vertices (mm, in the frame of the file) and faces of the scan; ``edge_mm`` makes a coarser one."""
    rng = np.random.default_rng(SEED)
    skin = rolled(JOINT, MAIN_MM, BRANCH_MM, edge_mm=edge_mm or FAULTS.edge_mm, rng=rng)
    normals = vertex_normals(skin.points, skin.faces)
    height = correlated_noise(
        skin.points,
        rms_mm=FAULTS.noise_mm,
        correlation_mm=FAULTS.correlation_mm,
        white_share=FAULTS.white_share,
        rng=rng,
    )
    damage = wrecked(skin, rng)
    seen, (away, _) = damage.seen, _about(skin.points)
    for centre in skin.points[rng.choice(np.flatnonzero(away > 2.5 * HALF_MM), FAULTS.holes)]:
        seen &= np.linalg.norm(skin.points - centre, axis=1) > 0.5 * FAULTS.hole_mm * rng.uniform(0.6, 1.3)
    points = skin.points + (height + damage.height_mm)[:, None] * normals
    faces = skin.faces[seen[skin.faces].all(axis=1)]
    points, faces = compacted(*with_clumps(points, normals, faces, FAULTS.clumps, rng))
    return points @ TURN.T + SHIFT_MM, faces


def write_junction(folder: Path, *, edge_mm: float | None = None) -> dict[str, Any]:
    """Write the scene's folder and return what ``expected.json`` holds."""
    folder.mkdir(parents=True, exist_ok=True)
    points, faces = scanned_junction(edge_mm=edge_mm)
    told = write_stl(folder / "scan.stl", points, faces)
    truth = {
        "shape": "rolled",
        "tube": JOINT.to_json(),
        "pose": {"turn": TURN.tolist(), "shift_mm": SHIFT_MM.tolist()},
    }
    write_json(folder / "truth.json", truth)
    (folder / "job.toml").write_text(_job_text(), encoding="utf-8", newline="\n")
    expected = {
        "scene": TITLE,
        "generator_version": GENERATOR_VERSION,
        "seed": SEED,
        "size_mm": 2.0 * HALF_MM,
        "fillet_mm": JOINT.fillet_mm,
        "noise_mm": FAULTS.noise_mm,
        "edge_mm": edge_mm or FAULTS.edge_mm,
        "bounds": BOUNDS,
        "vertices": len(points),
        **told,
    }
    write_json(folder / "expected.json", expected)
    return expected


def _job_text() -> str:
    drawn = outline() @ TURN.T + SHIFT_MM
    rows = [", ".join(row(point) for point in drawn[start : start + 4]) for start in range(0, len(drawn), 4)]
    return (
        f"# {TITLE} (invented, see ../README.md)\n"
        '[scan]\nfile = "scan.stl"\nunit = "mm"\n\n'
        "[patch]   # no tube runs through a junction: the surface comes from a patch\n"
        'use = "always"\noutline = [   # drawn around the damage, on intact surface\n    '
        + ",\n    ".join(rows)
        + ",\n]\n\n[target]\noverlap = 6.0\n"
    )
