"""Make the sample scans: ``python sample_scenes/make_scenes.py [--out DIR]``.

Everything is invented (see README.md) and seeded: the same call makes the same bytes. Each scene
is a folder with ``scan.stl`` (binary, mm), ``job.toml``, ``truth.json`` (the original surface of the
broken tube, read by ``truth.py``) and ``expected.json``; some have more scans. ``seat_cluster`` also has
``truth.ply``, its original surface as a dense mesh to look at.
"""

import argparse
import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from scipy.spatial.transform import Rotation

import bench_repair
import spare_section
import stay_junction
import stay_pair
from frame_tubes import ArcTube, Floats
from irregular import Faces
from junction import joined
from scan_faults import ScanFaults
from scene_files import row, write_json
from skin_scan import scanned_skin

#: Raised whenever the bytes of a scene change.
GENERATOR_VERSION = 1
HERE = Path(__file__).resolve().parent

SEAT_TUBE = ArcTube((0.0, 0.0, -105.0), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0), 200.0, (19.0, 19.0), (19.0, 19.0))
TOP_TUBE = ArcTube(
    (0.0, 0.0, 40.0), (0.99, 0.05, -0.13), (0.0, 0.0, -1.0), 292.0, (18.5, 14.0), (15.0, 16.0), 1 / 1800.0
)
LEFT_STAY = ArcTube(
    (0.0, 0.0, 30.0), (-0.62, 0.55, -0.42), (-0.5, -0.8, -0.3), 135.0, (7.0, 7.0), (6.0, 7.5), 1 / 260.0
)
RIGHT_STAY = ArcTube(
    (0.0, 0.0, 30.0), (-0.62, -0.55, -0.42), (-0.5, 0.8, -0.3), 135.0, (7.0, 7.0), (6.0, 7.5), 1 / 260.0
)


@dataclass(frozen=True)
class Scene:
    """One invented scan: ``tubes[0]`` carries the others, ``tubes[broken]`` is broken over ``gap_mm``."""

    name: str
    title: str
    seed: int
    tubes: tuple[ArcTube, ...]
    broken: int
    gap_mm: tuple[float, float]
    faults: ScanFaults
    turn_deg: tuple[float, float, float]
    shift_mm: tuple[float, float, float]
    fillet_mm: float = 3.0


SEAT_CLUSTER = Scene(
    name="seat_cluster",
    title="Ferrowick Lane workshop, frame 'Ostrel', top tube",
    seed=20261125,
    tubes=(SEAT_TUBE, TOP_TUBE, LEFT_STAY, RIGHT_STAY),
    broken=1,
    gap_mm=(134.0, 179.0),
    faults=ScanFaults(
        edge_mm=0.6,
        noise_mm=0.03,
        correlation_mm=2.0,
        ragged_mm=3.0,
        rim="mixed",
        rim_mm=7.0,
        rim_depth_mm=1.2,
        holes=9,
        hole_mm=7.0,
        clumps=6,
    ),
    turn_deg=(24.0, -37.0, 61.0),
    shift_mm=(118.0, -64.0, 212.0),
)

SCENES = (SEAT_CLUSTER,)


@dataclass(frozen=True)
class Made:
    """The arrays of one scene in the frame of its file."""

    vertices: Floats
    faces: Faces
    from_mm: Floats
    to_mm: Floats
    turn: Floats
    shift: Floats


def scanned(scene: Scene, *, edge_mm: float | None = None) -> Made:
    """Mesh the frame, break one tube, add what a scanner adds; ``edge_mm`` makes a coarser one."""
    rng = np.random.default_rng(scene.seed)
    edge = edge_mm or scene.faults.edge_mm
    skin = joined(scene.tubes[0], list(scene.tubes[1:]), fillet_mm=scene.fillet_mm, edge_mm=edge, rng=rng)
    points, faces = scanned_skin(skin, scene.broken, scene.gap_mm, faults=scene.faults, rng=rng)

    turn = Rotation.from_euler("xyz", scene.turn_deg, degrees=True).as_matrix()
    shift = np.array(scene.shift_mm)
    ends = scene.tubes[scene.broken].centre(np.array(scene.gap_mm)) @ turn.T + shift
    # a grid of 0.1 micron takes out the last digits, in which processors differ
    return Made(np.round(points @ turn.T + shift, 4), faces, ends[0], ends[1], turn, shift)


def truth_mesh(scene: Scene, made: Made, *, spacing_mm: float = 0.3) -> tuple[Floats, Floats, Faces]:
    """The broken tube's original surface over gap and rims: vertices, normals, faces."""
    tube = scene.tubes[scene.broken]
    low, high = scene.gap_mm[0] - 25.0, scene.gap_mm[1] + 25.0
    n_along, n_around = int((high - low) / spacing_mm), int(tube.perimeter_mm() / spacing_mm)
    row, column = np.meshgrid(np.arange(n_along), np.arange(n_around), indexing="ij")
    along = low + (high - low) * row.ravel() / (n_along - 1)
    points, normals = tube.evaluate(along, column.ravel() / n_around)
    here = (row * n_around + column)[:-1].ravel()
    right = (row * n_around + (column + 1) % n_around)[:-1].ravel()
    faces = np.concatenate(
        [
            np.stack([here, right, here + n_around], axis=1),
            np.stack([right, right + n_around, here + n_around], axis=1),
        ]
    )
    return points @ made.turn.T + made.shift, normals @ made.turn.T, faces.astype(np.int32)


def write_scene(scene: Scene, folder: Path, *, edge_mm: float | None = None) -> dict[str, Any]:
    """Write one scene's folder and return what ``expected.json`` holds."""
    made = scanned(scene, edge_mm=edge_mm)
    folder.mkdir(parents=True, exist_ok=True)
    scan = trimesh.Trimesh(made.vertices, made.faces, process=False).export(file_type="stl")
    (folder / "scan.stl").write_bytes(scan)
    points, normals, faces = truth_mesh(scene, made)
    truth = trimesh.Trimesh(points, faces, vertex_normals=normals, process=False)
    (folder / "truth.ply").write_bytes(truth.export(file_type="ply", vertex_normal=True))
    pose = {"turn": made.turn.tolist(), "shift_mm": made.shift.tolist()}
    write_json(folder / "truth.json", {"tube": scene.tubes[scene.broken].to_json(), "pose": pose})
    (folder / "job.toml").write_text(_job_text(scene, made), encoding="utf-8", newline="\n")
    expected = {
        "scene": scene.title,
        "generator_version": GENERATOR_VERSION,
        "seed": scene.seed,
        "gap_mm": scene.gap_mm[1] - scene.gap_mm[0],
        "noise_mm": scene.faults.noise_mm,
        "edge_mm": edge_mm or scene.faults.edge_mm,
        "vertices": len(made.vertices),
        "faces": len(made.faces),
        "sha256": hashlib.sha256(scan).hexdigest(),
    }
    write_json(folder / "expected.json", expected)
    return expected


def _job_text(scene: Scene, made: Made) -> str:
    return (
        f"# {scene.title} (invented, see ../README.md)\n"
        '[scan]\nfile = "scan.stl"\nunit = "mm"\n\n'
        f"[damage]\nfrom = {row(made.from_mm, 2)}\nto = {row(made.to_mm, 2)}\n\n"
        "[target]\nchord_tolerance = 0.005\noverlap = 10.0\n"
    )


def main() -> None:
    """Make every scene below ``--out``."""
    parser = argparse.ArgumentParser(description="Make the invented sample scans.")
    parser.add_argument("--out", type=Path, default=HERE, help="folder for the scenes (default: here)")
    out = parser.parse_args().out
    for scene in SCENES:
        expected = write_scene(scene, out / scene.name)
        print(f"{out / scene.name}: {expected['vertices']} vertices, {expected['faces']} faces")
    told = {
        bench_repair.NAME: bench_repair.write_bench(out / bench_repair.NAME)["files"],
        spare_section.NAME: spare_section.write_spare(out / spare_section.NAME)["files"],
        stay_pair.NAME: {"scan": stay_pair.write_pair(out / stay_pair.NAME)},
        stay_junction.NAME: {"scan": stay_junction.write_junction(out / stay_junction.NAME)},
    }
    for folder, scans in told.items():
        for name, made in scans.items():
            print(f"{out / folder / name}.stl: {made['faces']} faces")


if __name__ == "__main__":
    main()
