"""The cap that closes the far end of a scanned tube; seeded, lengths in mm."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay

from irregular import Faces, Floats


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
