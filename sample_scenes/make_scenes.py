"""Make the sample scans: ``python sample_scenes/make_scenes.py [--out DIR]``.

Everything is invented (see README.md) and seeded: the same call makes the same bytes. Each scene
is a folder with ``scan.stl`` (binary, mm), ``job.toml``, ``truth.json`` (the original surface of the
broken tube, read by ``truth.py``), ``truth.ply`` (the same as a dense mesh, to look at) and
``expected.json``.
"""

import argparse
import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from scipy.spatial.transform import Rotation

import bench_repair
from broken_rims import broken_open
from frame_tubes import ArcTube, Floats
from irregular import Faces, compacted, correlated_noise, vertex_normals
from junction import Skin, joined
from scan_faults import ScanFaults, with_clumps

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
    normals = vertex_normals(skin.points, skin.faces)
    height = correlated_noise(
        skin.points,
        rms_mm=scene.faults.noise_mm,
        correlation_mm=scene.faults.correlation_mm,
        white_share=scene.faults.white_share,
        rng=rng,
    )
    broken = np.flatnonzero(skin.part == scene.broken)
    keep = _seen(skin, scene, rng)
    keep[broken], damage = _and(
        keep[broken],
        broken_open(skin.along_mm[broken], skin.around[broken], scene.gap_mm, faults=scene.faults, rng=rng),
    )
    height[broken] += damage
    points = skin.points + height[:, None] * normals
    faces = skin.faces[keep[skin.faces].all(axis=1)]
    points, faces = compacted(*with_clumps(points, normals, faces, scene.faults.clumps, rng))

    turn = Rotation.from_euler("xyz", scene.turn_deg, degrees=True).as_matrix()
    shift = np.array(scene.shift_mm)
    ends = scene.tubes[scene.broken].centre(np.array(scene.gap_mm)) @ turn.T + shift
    # a grid of 0.1 micron takes out the last digits, in which processors differ
    return Made(np.round(points @ turn.T + shift, 4), faces, ends[0], ends[1], turn, shift)


def _and(keep: Any, broken: tuple[Any, Floats]) -> tuple[Any, Floats]:
    return keep & broken[0], broken[1]


def _seen(skin: Skin, scene: Scene, rng: np.random.Generator) -> Any:
    """Which vertices the scanner saw: holes all over, but not on the rim of the gap."""
    seen = np.ones(len(skin.points), dtype=bool)
    low, high = scene.gap_mm[0] - 20.0, scene.gap_mm[1] + 20.0
    on_rim = (skin.part == scene.broken) & (skin.along_mm > low) & (skin.along_mm < high)
    for centre in skin.points[rng.choice(np.flatnonzero(~on_rim), scene.faults.holes)]:
        away = np.linalg.norm(skin.points - centre, axis=1)
        seen &= away > 0.5 * scene.faults.hole_mm * rng.uniform(0.6, 1.3)
    return seen


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
    _write_json(folder / "truth.json", {"tube": scene.tubes[scene.broken].to_json(), "pose": pose})
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
    _write_json(folder / "expected.json", expected)
    return expected


def _job_text(scene: Scene, made: Made) -> str:
    def point(values: Floats) -> str:
        return "[" + ", ".join(f"{value:.2f}" for value in values) + "]"

    return (
        f"# {scene.title} (invented, see ../README.md)\n"
        '[scan]\nfile = "scan.stl"\nunit = "mm"\n\n'
        f"[damage]\nfrom = {point(made.from_mm)}\nto = {point(made.to_mm)}\n\n"
        "[target]\nchord_tolerance = 0.005\noverlap = 10.0\n"
    )


def _write_json(path: Path, content: dict[str, Any]) -> None:
    path.write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8", newline="\n")


def main() -> None:
    """Make every scene below ``--out``."""
    parser = argparse.ArgumentParser(description="Make the invented sample scans.")
    parser.add_argument("--out", type=Path, default=HERE, help="folder for the scenes (default: here)")
    out = parser.parse_args().out
    for scene in SCENES:
        expected = write_scene(scene, out / scene.name)
        print(f"{out / scene.name}: {expected['vertices']} vertices, {expected['faces']} faces")
    bench = bench_repair.write_bench(out / bench_repair.NAME)
    for name, made in bench["files"].items():
        print(f"{out / bench_repair.NAME / name}.stl: {made['faces']} faces")


if __name__ == "__main__":
    main()
