"""Join two tubes by a third between them, with a fillet at both its ends; seeded, lengths in mm."""

import numpy as np

from frame_tubes import ClosedForm
from irregular import Faces, Floats, scattered, unrolled_triangles
from junction import Skin, entry, fillet, on_main, pierced


def bridged(
    first: ClosedForm,
    second: ClosedForm,
    between: ClosedForm,
    *,
    fillet_mm: float,
    edge_mm: float,
    rng: np.random.Generator,
) -> Skin:
    """One skin of two tubes (parts 0 and 1) and a bridge (part 2) from the axis of one to the other's.

    As in :func:`junction.joined` nothing of a tube that lies inside another is made.
    """
    planes = [
        scattered(main.length_mm, main.perimeter_mm(), edge_mm=edge_mm, rng=rng) for main in (first, second)
    ]
    points, faces, rings, along, around = _between(between, (first, second), fillet_mm, edge_mm, rng)
    parts = []
    for main, plane, ring in zip((first, second), planes, rings, strict=True):
        plane, corners = pierced(main, plane, [points[ring]], edge_mm=edge_mm)
        parts.append((*on_main(main, plane), plane[:, 0], corners))
    sizes = [len(part[0]) for part in parts] + [len(points)]
    offsets = np.concatenate([[0], np.cumsum(sizes)])
    all_faces = [faces + offsets[2]]
    for part, ring, size, offset in zip(parts, rings, sizes, offsets, strict=False):
        renumbered = np.concatenate([np.arange(size) + offset, ring + offsets[2]])
        all_faces.append(renumbered[part[3]])
    return Skin(
        points=np.concatenate([parts[0][0], parts[1][0], points]),
        faces=np.concatenate(all_faces).astype(np.int32),
        part=np.repeat([0, 1, 2], sizes),
        along_mm=np.concatenate([parts[0][2], parts[1][2], along]),
        around=np.concatenate([parts[0][1], parts[1][1], around]),
    )


def _between(
    tube: ClosedForm,
    mains: tuple[ClosedForm, ClosedForm],
    fillet_mm: float,
    edge_mm: float,
    rng: np.random.Generator,
) -> tuple[Floats, Faces, list[Floats], Floats, Floats]:
    """Mesh the bridge from surface to surface: points, faces, a ring on each main tube, along, around."""
    fillet_length = 1.6 * fillet_mm
    turns = np.linspace(0.0, 1.0, 1440, endpoint=False)
    lines = [entry(tube, mains[0], turns), entry(tube, mains[1], turns, start_mm=tube.length_mm)]
    span = float(lines[1].mean() - lines[0].mean()) - 2.0 * fillet_mm
    total = span + 2.0 * fillet_length
    strip, around, faces = unrolled_triangles(total, tube.perimeter_mm(), edge_mm=edge_mm, rng=rng)
    ends = [np.interp(around, turns, line, period=1.0) for line in lines]
    straight = [ends[0] + fillet_mm, ends[1] - fillet_mm]
    along = straight[0] + np.clip((strip - fillet_length) / span, 0.0, 1.0) * (straight[1] - straight[0])
    points, _ = tube.evaluate(along, around)
    rings = []
    for main, end, stop, way in zip(mains, ends, straight, (strip, total - strip), strict=True):
        share = np.clip(way / fillet_length, 0.0, 1.0)[:, None]
        curve = fillet(tube, main, (end, stop), around, share, fillet_mm=fillet_mm)
        points = np.where(share < 1.0, curve, points)
        along = np.where(share[:, 0] < 1.0, end + (stop - end) * share[:, 0], along)
        ring = np.flatnonzero(way == 0.0)
        rings.append(ring[np.argsort(around[ring])])
    return points, faces, rings, along, around
