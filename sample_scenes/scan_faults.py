"""What goes wrong with a scan: broken rims, holes, bosses, debris, displaced halves.

Everything is seeded; lengths are millimetres.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay
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
    rim : what the rim looks like: "clean", "crushed" (inward), "bulged" (outward), "mixed"
    rim_mm, rim_depth_mm : how far from the rim, and how deep at most
    holes, hole_mm : number and diameter of places the scanner did not see
    strip_deg : an unseen strip of this width all along the tube
    closed_end : close the tube's far end with a cap
    clumps : number of loose patches of triangles floating off the surface
    bosses : number of small bosses (dia 6, 1.5 high) on the flanks
    sticker_mm : thickness of a sticker on one flank, 0 for none
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
    holes: int = 0
    hole_mm: float = 6.0
    strip_deg: float = 0.0
    closed_end: bool = False
    clumps: int = 0
    bosses: int = 0
    sticker_mm: float = 0.0
    offset_mm: float = 0.0
    angle_deg: float = 0.0
    twist_deg: float = 0.0
    posed: bool = True


def broken_open(
    along_mm: Floats,
    around: Floats,
    gap_mm: tuple[float, float],
    *,
    faults: ScanFaults,
    rng: np.random.Generator,
) -> tuple[NDArray[np.bool_], Floats]:
    """Which vertices are left outside a gap with ragged rims, and the height of the damage at the rims."""
    keep, height = np.ones(len(along_mm), dtype=bool), np.zeros(len(along_mm))
    for end, side in zip(gap_mm, (-1.0, 1.0), strict=True):
        rim = end + side * faults.ragged_mm * ring_noise(around, rng=rng)
        beyond = side * (along_mm - rim)
        keep &= (beyond > 0) | (side * (along_mm - np.mean(gap_mm)) < 0)
        height += _damaged_rim(beyond, around, faults, rng)
    return keep, height


def _damaged_rim(beyond: Floats, around: Floats, faults: ScanFaults, rng: np.random.Generator) -> Floats:
    """Height of the damage near one rim; ``beyond`` is the distance from the rim outwards."""
    lumps = ring_noise(around, rng=rng, waves=5)
    sign = {"clean": 0.0, "crushed": -1.0, "bulged": 1.0, "mixed": 2.0 * lumps - 1.0}[faults.rim]
    near = np.clip(1.0 - beyond / (faults.rim_mm * (0.6 + 0.4 * lumps)), 0.0, 1.0)
    near[beyond < 0.0] = 0.0  # the other half of the tube
    return np.asarray(sign * faults.rim_depth_mm * (0.5 + 0.5 * lumps) * near**1.5)


def ring_noise(around: Floats, *, rng: np.random.Generator, waves: int = 14) -> Floats:
    """A jagged periodic curve around the tube, between 0 and 1."""
    order = np.arange(1, waves + 1)
    phase = rng.uniform(0, 2 * np.pi, waves)
    size = rng.normal(size=waves) / np.sqrt(order)
    ring = np.linspace(0.0, 1.0, 720, endpoint=False)

    def curve(share: Floats) -> Floats:
        return np.asarray(np.cos(2 * np.pi * share[:, None] * order + phase) @ size)

    low, high = curve(ring).min(), curve(ring).max()
    return np.clip((curve(around) - low) / (high - low), 0.0, 1.0)


def bosses(points: Floats, flank: NDArray[np.bool_], faults: ScanFaults, rng: np.random.Generator) -> Floats:
    """Height of small bosses, anywhere on the flanks."""
    height = np.zeros(len(points))
    for centre in points[rng.choice(np.flatnonzero(flank), faults.bosses)]:
        away = np.linalg.norm(points - centre, axis=1)
        height += 1.5 * np.clip((3.0 - away) / 0.8, 0.0, 1.0)
    return height


def sticker(along: Floats, around: Floats, flank: NDArray[np.bool_], faults: ScanFaults) -> Floats:
    """Height of a sticker, on a fifth of the flanks' length and a quarter of the way round."""
    low, high = np.quantile(along[flank], (0.05, 0.25))
    inside = (along > low) & (along < high) & (around > 0.3) & (around < 0.55)
    return np.asarray(faults.sticker_mm * inside)


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


def with_cap(
    points: Floats,
    normals: Floats,
    faces: Faces,
    keep: NDArray[np.bool_],
    along: Floats,
    around: Floats,
    length_mm: float,
    rng: np.random.Generator,
) -> tuple[Floats, Floats, Faces, NDArray[np.bool_]]:
    """Close the far end: the last ring filled inwards, triangulated on the unit disc."""
    ring = np.flatnonzero(along == length_mm)
    ring = ring[np.argsort(around[ring])]
    n_inner = len(ring) ** 2 // 14
    radius = np.sqrt(rng.uniform(0.0, 0.93, n_inner))
    turn = rng.uniform(0.0, 1.0, n_inner)
    disc = np.concatenate([np.ones(len(ring)), radius]) * np.exp(
        2j * np.pi * np.concatenate([around[ring], turn])
    )
    flat = np.stack([disc.real, disc.imag], axis=1)
    corners = Delaunay(flat).simplices
    centre = points[ring].mean(axis=0)
    wrapped = np.concatenate([around[ring], around[ring[:1]] + 1.0])
    loop = np.concatenate([points[ring], points[ring[:1]]])
    shifted = (turn - wrapped[0]) % 1.0 + wrapped[0]
    rim = np.stack([np.interp(shifted, wrapped, loop[:, axis]) for axis in range(3)], axis=1)
    inner = centre + radius[:, None] * (rim - centre)
    index = np.concatenate([ring, len(points) + np.arange(n_inner)])
    first, second, third = (flat[corners[:, i]] for i in range(3))
    edge, other = second - first, third - first
    clockwise = edge[:, 0] * other[:, 1] < edge[:, 1] * other[:, 0]
    corners[clockwise] = corners[clockwise][:, ::-1]
    outward = np.cross(loop[0] - centre, loop[len(ring) // 4] - centre)
    return (
        np.concatenate([points, inner]),
        np.concatenate([normals, np.tile(outward / np.linalg.norm(outward), (n_inner, 1))]),
        np.concatenate([faces, index[corners].astype(np.int32)]),
        np.concatenate([keep, np.ones(n_inner, dtype=bool)]),
    )


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
