"""A repair on the bench, from broken to machined: one tube on a plate with three fixture spheres.

Makes ``scan.stl`` (broken), ``laid_up.stl`` (new laminate over the break, with known surplus and three low
spots) and ``machined.stl`` (taken out of the fixture and put back a little askew, cut too deep in one spot
and not deep enough in another). All is invented and seeded.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from scipy.spatial.transform import Rotation

from frame_tubes import ArcTube, Floats
from irregular import Faces, correlated_noise, unrolled_triangles
from scan_faults import ScanFaults
from scan_like import scan_like
from scene_files import row, write_json, write_stl

NAME = "down_tube_bench"
TITLE = "Ferrowick Lane workshop, frame 'Ostrel', down tube on the bench"
#: Raised whenever the bytes of the scene change.
GENERATOR_VERSION = 1
SEED = 20261126

TUBE = ArcTube(
    (-20.0, 40.0, 46.0), (1.0, 0.03, 0.0), (0.0, 0.0, 1.0), 260.0, (17.0, 15.5), (15.0, 16.5), 1 / 2400.0
)
GAP_MM = (112.0, 148.0)
FAULTS = ScanFaults(edge_mm=0.7, noise_mm=0.02, ragged_mm=2.0, rim="mixed", rim_mm=4.0, rim_depth_mm=0.6)
#: Centres of the fixture spheres in the frame of the machine, and their radius, mm.
SPHERES_MM = np.array([[0.0, 0.0, 0.0], [220.0, 0.0, 0.0], [0.0, 95.0, 0.0]])
SPHERE_RADIUS_MM = 6.0
#: From the frame of the machine to that of the scanner.
TURN = Rotation.from_euler("xyz", (12.0, -21.0, 33.0), degrees=True).as_matrix()
SHIFT_MM = np.array([64.0, -38.0, 410.0])
#: How the machined part lies in the scanner against where it lay before.
ASKEW_DEG, ASKEW_MM = (0.02, -0.03, 0.025), np.array([0.10, -0.07, 0.05])

PAINT_MM, COVER_MM = 0.12, 0.25
DEPTH_MM = PAINT_MM + COVER_MM
#: How far the new laminate laps over intact tube, and the stock it stands above the target.
LAP_MM, STOCK_MM = 36.0, 0.55


@dataclass(frozen=True)
class Spot:
    """A round place where the surface lies ``height_mm`` against the target, from its edge on evenly deep.

    ``along_mm`` and ``around`` (share of a turn) are its middle, ``radius_mm`` the edge and ``slope_mm`` the
    width over which the surface comes back to what is around it.
    """

    along_mm: float
    around: float
    radius_mm: float
    height_mm: float
    slope_mm: float = 0.8


LOW_SPOTS = (
    Spot(121.0, 0.10, 1.2, -0.12),
    Spot(139.0, 0.45, 2.5, -0.20),
    Spot(128.0, 0.80, 3.5, -0.09),
)
TOO_DEEP, TOO_HIGH = Spot(133.0, 0.30, 2.0, -0.25), Spot(124.0, 0.65, 3.0, 0.30)


def _share(spot: Spot, along: Floats, around: Floats) -> Floats:
    """1 within a spot, 0 well outside, smooth between."""
    turn = np.mod(around - spot.around + 0.5, 1.0) - 0.5
    away = np.hypot(along - spot.along_mm, turn * TUBE.perimeter_mm())
    x = np.clip((away - spot.radius_mm) / spot.slope_mm, 0.0, 1.0)
    return np.asarray(1.0 - x * x * x * (10.0 - x * (15.0 - 6.0 * x)))


def _over_repair(along: Floats, lap_mm: float) -> Floats:
    """1 over gap and lap, 0 beyond, smooth over 3 mm."""
    past = np.maximum(GAP_MM[0] - lap_mm - along, along - GAP_MM[1] - lap_mm)
    x = np.clip(past / 3.0, 0.0, 1.0)
    return np.asarray(1.0 - x * x * (3.0 - 2.0 * x))


def laid_up_height(along: Floats, around: Floats) -> Floats:
    """Height of the laid-up part above the original surface, without noise, mm."""
    waves = 0.12 * np.sin(2.0 * np.pi * (along / 31.0 + 2.0 * around))
    stock = STOCK_MM + waves
    for spot in LOW_SPOTS:
        share = _share(spot, along, around)
        stock = (1.0 - share) * stock + share * spot.height_mm
    over = _over_repair(along, LAP_MM)
    return np.asarray(over * (stock - DEPTH_MM))


def machined_height(along: Floats, around: Floats) -> Floats:
    """Height of the machined part above the original surface, without noise, mm."""
    left = 0.008 * np.sin(2.0 * np.pi * along / 4.0)
    for spot in (TOO_DEEP, TOO_HIGH):
        share = _share(spot, along, around)
        left = (1.0 - share) * left + share * spot.height_mm
    over = _over_repair(along, 43.0)
    return np.asarray(over * (left - DEPTH_MM))


def _skin(height: Any, rng: np.random.Generator, edge_mm: float) -> tuple[Floats, Faces]:
    """The whole tube, its surface raised by ``height(along, around)`` and noise."""
    along, around, faces = unrolled_triangles(TUBE.length_mm, TUBE.perimeter_mm(), edge_mm=edge_mm, rng=rng)
    points, normals = TUBE.evaluate(along, around)
    noise = correlated_noise(
        points,
        rms_mm=FAULTS.noise_mm,
        correlation_mm=FAULTS.correlation_mm,
        white_share=FAULTS.white_share,
        rng=rng,
    )
    return points + (height(along, around) + noise)[:, None] * normals, faces


def _with_spheres(points: Floats, faces: Faces, rng: np.random.Generator) -> tuple[Floats, Faces]:
    """The three spheres beside the tube, each seen from above and from its sides."""
    ball = trimesh.creation.icosphere(subdivisions=4)
    seen = ball.vertices[:, 2] > -0.5
    sides = ball.faces[seen[ball.faces].all(axis=1)]
    index, sides = np.unique(sides, return_inverse=True)
    all_points, all_faces = [points], [faces]
    for centre in SPHERES_MM:
        radius = SPHERE_RADIUS_MM + rng.normal(0.0, FAULTS.noise_mm, len(index))
        all_faces.append(sides.reshape(-1, 3).astype(np.int32) + sum(map(len, all_points)))
        all_points.append(centre + radius[:, None] * ball.vertices[index])
    return np.concatenate(all_points), np.concatenate(all_faces)


def in_scanner(points: Floats) -> Floats:
    """Points of the machine's frame as the scanner has them."""
    return np.asarray(points @ TURN.T + SHIFT_MM)


def put_back(points: Floats) -> Floats:
    """Points of the scanner's frame as they lie after the part was taken out and put back."""
    turn = Rotation.from_euler("xyz", ASKEW_DEG, degrees=True)
    middle = in_scanner(TUBE.centre(np.array([np.mean(GAP_MM)])))[0]
    return np.asarray(turn.apply(points - middle) + middle + ASKEW_MM)


def write_bench(folder: Path, *, edge_mm: float | None = None) -> dict[str, Any]:
    """Write the scene's folder and return what ``expected.json`` holds."""
    edge = edge_mm or FAULTS.edge_mm
    rng = np.random.default_rng(SEED)
    folder.mkdir(parents=True, exist_ok=True)
    broken = scan_like(
        TUBE.evaluate,
        length_mm=TUBE.length_mm,
        perimeter_mm=TUBE.perimeter_mm(),
        gap_mm=GAP_MM,
        faults=ScanFaults(**{**vars(FAULTS), "edge_mm": edge}),
        rng=rng,
    )
    scans = {"scan": _with_spheres(broken.vertices, broken.faces, rng)}
    scans["laid_up"] = _skin(laid_up_height, rng, edge)
    scans["machined"] = _skin(machined_height, rng, edge)
    sums = {}
    for name, (points, faces) in scans.items():
        points = in_scanner(points)
        if name == "machined":
            points = put_back(points)
        sums[name] = write_stl(folder / f"{name}.stl", points, faces)
    pose = {"turn": TURN.tolist(), "shift_mm": SHIFT_MM.tolist()}
    write_json(folder / "truth.json", {"tube": TUBE.to_json(), "pose": pose})
    (folder / "job.toml").write_text(_job_text(), encoding="utf-8", newline="\n")
    expected = {
        "scene": TITLE,
        "generator_version": GENERATOR_VERSION,
        "seed": SEED,
        "gap_mm": GAP_MM[1] - GAP_MM[0],
        "noise_mm": FAULTS.noise_mm,
        "edge_mm": edge,
        "low_spots": [_told(spot) for spot in LOW_SPOTS],
        "too_deep": _told(TOO_DEEP),
        "too_high": _told(TOO_HIGH),
        "files": sums,
    }
    write_json(folder / "expected.json", expected)
    return expected


def _told(spot: Spot) -> dict[str, Any]:
    """A spot with its middle in the frame of the scan."""
    points, _ = TUBE.evaluate(np.array([spot.along_mm]), np.array([spot.around]))
    at = np.round(in_scanner(points)[0], 3)
    flat = np.pi * spot.radius_mm**2
    return {"at_mm": at.tolist(), "height_mm": spot.height_mm, "flat_area_mm2": round(flat, 3)}


def _job_text() -> str:
    ends = in_scanner(TUBE.centre(np.array(GAP_MM)))
    spheres = in_scanner(SPHERES_MM)
    zero, _ = TUBE.evaluate(np.array([GAP_MM[0] - 12.0]), np.array([0.0]))

    return (
        f"# {TITLE} (invented, see ../README.md)\n"
        '[scan]\nfile = "scan.stl"\nunit = "mm"\n\n'
        f"[damage]\nfrom = {row(ends[0])}\nto = {row(ends[1])}\n"
        f"zero = {row(in_scanner(zero)[0])}   # a pen mark on the tube: angles count from it\n\n"
        '[target]\noverlap = 40.0\nformats = ["3mf"]\n\n'
        f"[layers]\npaint = {PAINT_MM}\ncover = {COVER_MM}\n\n"
        "[wall]   # caliper at the broken edges: station, angle, mm\n"
        "thickness = [[-2, 0, 1.12], [-2, 90, 1.05], [-2, 180, 1.18], [-2, 270, 1.07],\n"
        "             [38, 0, 1.08], [38, 180, 1.14]]\nshare = 0.3\n\n"
        "[bed]\nratio = 30\ncut_back = 2.0\nlap = 3.0\n\n"
        '[[ply]]\nname = "twill"\ncount = 4\nweight = 245\ndensity = 1.76\nfraction = 0.5\nangle = 0\n\n'
        "[reach]\ntool_radius = 4.0\n\n"
        "[frame]\n"
        f"spheres = [{', '.join(row(centre, 0) for centre in spheres)}]\n"
        f"radius = {SPHERE_RADIUS_MM}\n"
        f"at = [{', '.join(row(centre) for centre in SPHERES_MM)}]\n"
    )
