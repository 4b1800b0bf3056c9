"""What goes wrong with a scan: the list of faults, places unseen, debris, displaced halves.

Everything is seeded; lengths are millimetres. Rims are in ``broken_rims.py``, things that stand on
the flanks in ``flank_objects.py``, the cap of an end in ``end_cap.py``, a junction in ``tee.py``.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from irregular import Faces, Floats


@dataclass(frozen=True)
class ScanFaults:
    """What is wrong with a scan, all off but a thin noise; lengths in mm.

    Attributes
    ----------
    edge_mm : mean edge length of the triangles; they spread from about 0.6 to 1.4 times this
    noise_mm, correlation_mm : rms of the noise along the normal, and its correlation length
    white_share : share of the noise variance that is independent from vertex to vertex
    ragged_mm : how far the rim wanders back from the gap
    rim : what the rim looks like: "clean", "crushed" (inward), "bulged" (outward), "mixed", "lifted" (a
        flap of the outer plies peeled up over a part of the turn), "torn" (mixed, with such a flap)
    rim_mm, rim_depth_mm : how far from the rim, and how deep or high at most
    half_round_deg : with more than 0, only so much of the turn is damaged along the gap
    holes, hole_mm : number and diameter of places the scanner did not see
    strip_deg : an unseen strip of this width all along the tube, as a share of the perimeter
    closed_end : close the tube's far end with a cap
    junction_mm : with more than 0, the far flank is so long and then runs into a crossing tube
    clumps : number of loose patches of triangles floating off the surface
    bosses : number of small bosses (dia 6, 1.5 high) on the flanks
    cable_stops : number of cable stops (12 along, 6 across, 5 high), on both flanks in turn
    sticker_mm, stickers : thickness of the stickers, 0 for none, and their number, on both flanks in turn
    offset_mm, angle_deg, twist_deg : rigid motion of the far half: sideways, tilt, about the axis
    posed : move the whole scan to an arbitrary pose
    """

    edge_mm: float = 0.6
    noise_mm: float = 0.02
    correlation_mm: float = 2.0
    white_share: float = 0.1
    ragged_mm: float = 1.5
    rim: str = "clean"
    rim_mm: float = 5.0
    rim_depth_mm: float = 0.6
    half_round_deg: float = 0.0
    holes: int = 0
    hole_mm: float = 6.0
    strip_deg: float = 0.0
    closed_end: bool = False
    junction_mm: float = 0.0
    clumps: int = 0
    bosses: int = 0
    cable_stops: int = 0
    sticker_mm: float = 0.0
    stickers: int = 1
    offset_mm: float = 0.0
    angle_deg: float = 0.0
    twist_deg: float = 0.0
    posed: bool = True


def seen(
    points: Floats,
    around: Floats,
    flank: NDArray[np.bool_],
    faults: ScanFaults,
    rng: np.random.Generator,
) -> NDArray[np.bool_]:
    """Which vertices the scanner saw: not in a hole, not in the unseen strip."""
    seen = np.ones(len(points), dtype=bool)
    for centre in points[rng.choice(np.flatnonzero(flank), faults.holes)]:
        seen &= np.linalg.norm(points - centre, axis=1) > 0.5 * faults.hole_mm * rng.uniform(0.7, 1.3)
    turn = (around - 0.65) % 1.0
    return np.asarray(seen & (turn >= faults.strip_deg / 360.0))


def with_clumps(
    points: Floats, normals: Floats, faces: Faces, count: int, rng: np.random.Generator
) -> tuple[Floats, Faces]:
    """Add loose patches: bits of the surface lifted off, turned and roughened."""
    all_points, all_faces = [points], [faces]
    used = np.unique(faces)
    for centre in rng.choice(used, count):
        near = np.linalg.norm(points - points[centre], axis=1) < rng.uniform(1.5, 4.0)
        patch = faces[near[faces].all(axis=1)]
        index, patch = np.unique(patch, return_inverse=True)
        loose = random_turn(rng).apply(points[index] - points[centre])
        loose += points[centre] + rng.uniform(2.0, 9.0) * normals[centre]
        loose += rng.normal(0.0, 0.15, loose.shape)
        all_faces.append(patch.reshape(-1, 3).astype(np.int32) + sum(map(len, all_points)))
        all_points.append(loose)
    return np.concatenate(all_points), np.concatenate(all_faces).astype(np.int32)


def random_turn(rng: np.random.Generator) -> Rotation:
    """A rotation drawn evenly from all rotations."""
    return Rotation.from_quat(rng.normal(size=4))


def moved_half(
    points: Floats,
    far: NDArray[np.bool_],
    *,
    centre_mm: Floats,
    axis: Floats,
    faults: ScanFaults,
) -> Floats:
    """The scan with its far half displaced, as after a full break; ``axis`` is the tube's direction."""
    side = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    side /= np.linalg.norm(side)
    turn = Rotation.from_rotvec(np.deg2rad(faults.angle_deg) * np.cross(axis, side)) * Rotation.from_rotvec(
        np.deg2rad(faults.twist_deg) * axis
    )
    moved = points.copy()
    moved[far] = turn.apply(points[far] - centre_mm) + centre_mm + faults.offset_mm * side
    return moved
