"""Which motions lay a lofted tube onto itself, so that no registration could tell them apart.

They are tried out on the surface, not looked up by name: flips in the frame of a section that may be a
middle one (half-turns, mirrorings, end for end), the turn about the axis, and the slide along it, alone
or with a turn as on a screw (the free motions of a surface, see N. Gelfand and L. J. Guibas, "Shape
segmentation using local slippage analysis", Symposium on Geometry Processing 2004).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
from scipy.spatial.transform import Rotation

from lofted import Floats, LoftedTube, lofted_tube

#: A motion that leaves every point of a surface this near to it is a symmetry of it (mm).
_SAME_MM = 0.01
#: Points that a motion takes farther than this past the tube's ends are not judged (mm).
_PAST_END_MM = 10.0


@dataclass(frozen=True)
class Symmetry:
    """What cannot be told from a tube at rest.

    ``motions`` (4, 4) in the tube's own frame, the first at rest; ``turns``: any turn about its axis;
    ``slides``: any slide along it, with ``rate_rad_mm`` of turn for each mm.
    """

    motions: tuple[Floats, ...]
    turns: bool
    slides: bool
    rate_rad_mm: float


def as_motion(turn: Floats, shift: Floats) -> Floats:
    """A (4, 4) matrix of a (3, 3) turn and a shift."""
    motion = np.eye(4)
    motion[:3, :3], motion[:3, 3] = turn, shift
    return motion


def moved(motion: Floats, points: Floats) -> Floats:
    """Points (n, 3) moved by a (4, 4) matrix."""
    return np.asarray(np.asarray(points) @ motion[:3, :3].T + motion[:3, 3])


def symmetry_of(tube: LoftedTube) -> Symmetry:
    """The symmetries of a tube within its length."""
    return _symmetry(tube.kind, tube.length_mm, tube.variant)


@lru_cache(maxsize=64)
def _symmetry(kind: str, length_mm: float, variant: int) -> Symmetry:
    tube = lofted_tube(kind, length_mm=length_mm, variant=variant)
    along, around = np.meshgrid(
        np.linspace(0.04, 0.96, 24) * length_mm, np.linspace(0.0, 1.0, 25)[:-1] + 0.01
    )
    points, normals = tube.evaluate(along.ravel(), around.ravel())
    centre, axis = tube.centre(0.5 * length_mm), tube.axis(0.5 * length_mm)

    def same(motion: Floats) -> bool:
        image = moved(motion, points)
        at = tube.along(image)
        judged = (at > -_PAST_END_MM) & (at < length_mm + _PAST_END_MM)
        return bool(judged.mean() > 0.5 and np.abs(tube.distance(image[judged])).max() < _SAME_MM)

    by_turn = np.sum(normals * np.cross(axis, points - centre), axis=1)
    turns = same(turned(0.7, centre, axis))
    rate = 0.0 if turns else float(-(by_turn @ (normals @ axis)) / (by_turn @ by_turn))
    slides = same(screwed(3.0, rate, centre, axis))
    motions = [np.eye(4)]
    for flip in _flips(tube):
        known = any(np.allclose(flip, other, atol=1e-6) for other in motions)
        if not known and same(flip):
            motions.append(flip)
    return Symmetry(tuple(motions), turns, slides, rate if slides else 0.0)


def _flips(tube: LoftedTube) -> Iterator[Floats]:
    """Mirrorings and half-turns in frames of the bend's plane and of the section's own axes."""
    for at in {0.5 * tube.length_mm, _waist(tube)}:
        centre, axis = tube.centre(at), tube.axis(at)
        ring, _ = tube.evaluate(np.full(256, at), np.arange(256) / 256)
        across = ring - ring.mean(axis=0)
        long_way = np.linalg.svd(across - np.outer(across @ axis, axis))[2][0]
        for side in (np.cross([0.0, 1.0, 0.0], axis), long_way):
            frame = np.stack([side, np.cross(axis, side), axis], axis=1)
            for signs in product((1.0, -1.0), repeat=3):
                turn = frame @ np.diag(signs) @ frame.T
                yield as_motion(turn, centre - turn @ centre)


def _waist(tube: LoftedTube) -> float:
    """Where the section is thinnest or, when that is an end, its middle: it may be the same both ways."""
    along = np.linspace(0.0, tube.length_mm, 1201)
    rings, _ = tube.evaluate(np.repeat(along, 48), np.tile(np.arange(48) / 48, len(along)))
    rings = rings.reshape(len(along), 48, 3)
    size = np.linalg.norm(rings - rings.mean(axis=1, keepdims=True), axis=2).mean(axis=1)
    k = int(np.argmin(size))
    if k in (0, len(along) - 1):
        return 0.5 * tube.length_mm
    curve = np.polyfit(along[k - 40 : k + 41] - along[k], size[k - 40 : k + 41], 2) if 40 < k < 1160 else None
    return float(along[k] if curve is None else along[k] - 0.5 * curve[1] / curve[0])


def turned(angle_rad: float, centre: Floats, axis: Floats) -> Floats:
    """A turn about an axis through ``centre``."""
    turn = Rotation.from_rotvec(angle_rad * np.asarray(axis)).as_matrix()
    return as_motion(turn, centre - turn @ centre)


def screwed(slide_mm: float, rate_rad_mm: float, centre: Floats, axis: Floats) -> Floats:
    """A slide along an axis through ``centre`` with a turn about it."""
    motion = turned(slide_mm * rate_rad_mm, centre, axis)
    motion[:3, 3] += slide_mm * np.asarray(axis)
    return motion


def visible(off: Floats, centre: Floats, axis: Floats, symmetry: Symmetry) -> tuple[float, float]:
    """Shift of ``centre`` (mm) and turn (degrees) of a motion, without what a tube does not show.

    ``centre`` and ``axis`` are those of the tube where the motion is judged, in the motion's frame.
    """
    if symmetry.slides:
        slide = float((moved(off, centre[None])[0] - centre) @ axis)
        off = screwed(-slide, symmetry.rate_rad_mm, centre, axis) @ off
    shift, turn = moved(off, centre[None])[0] - centre, Rotation.from_matrix(off[:3, :3])
    angle = turn.magnitude()
    if symmetry.turns:
        leaned = turn.apply(axis)
        angle = np.arctan2(np.linalg.norm(np.cross(axis, leaned)), axis @ leaned)
    return float(np.linalg.norm(shift)), float(np.rad2deg(angle))
