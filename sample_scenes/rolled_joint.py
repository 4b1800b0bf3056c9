"""Two straight round tubes joined by the fillet that a rolling ball leaves, in closed form; lengths in mm.

The ball touches both tubes, so that its centre runs along the line in which the two tubes, widened by its
radius, would meet: one place for each turn around the branch, the root of a quadratic. The fillet is made of
the balls' arcs between both contacts, each square to that line [1]_.

References
----------
.. [1] G. Monge, "Application de l'analyse a la geometrie", 1807: an envelope of balls of one radius touches
   each of them along the circle square to the line of their centres (from memory).
"""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from frame_tubes import ArcTube, Floats, Vector, tube_frame
from irregular import scattered, unrolled_triangles
from junction import Skin, on_main, pierced

#: Steps from a point's own turn around the branch to that of the nearest ball; each halves what is left.
_STEPS = 60
#: Triangles around the branch are as wide as on a tube wider than it by this share of the fillet.
_WIDER = 0.3


@dataclass(frozen=True)
class RolledJoint:
    """A tube along z through the origin and a branch that leaves its axis there towards ``direction``."""

    main_radius_mm: float
    branch_radius_mm: float
    direction: Vector
    fillet_mm: float

    @property
    def frame(self) -> tuple[Floats, Floats, Floats]:
        """Direction of the branch and two unit vectors square to it, from which its turn counts."""
        return tube_frame(self.direction, (0.0, 0.0, 1.0))

    def balls(self, turn_rad: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Balls at angles (n,) around the branch: centres, how these move with the angle, and both contacts'
        directions, from the branch's and from the main tube's axis; (n, 3) each."""
        forward, side, up = self.frame
        cosine, sine = np.cos(turn_rad)[:, None], np.sin(turn_rad)[:, None]
        out, out_rate = cosine * side + sine * up, cosine * up - sine * side
        reach = self.branch_radius_mm + self.fillet_mm
        level = np.array([1.0, 1.0, 0.0])  # the main tube's axis is the z axis: only x and y tell how far off
        a, a_rate, b = reach * out * level, reach * out_rate * level, forward * level
        mixed, square = a @ b, b @ b
        wide = self.main_radius_mm + self.fillet_mm
        along = (np.sqrt(mixed**2 - square * (np.sum(a**2, axis=1) - wide**2)) - mixed) / square
        flat = a + along[:, None] * b
        rate = -np.sum(flat * a_rate, axis=1) / (flat @ b)
        centres = reach * out + along[:, None] * forward
        return centres, reach * out_rate + rate[:, None] * forward, out, flat / wide

    def distance(self, points: Floats) -> Floats:
        """Signed distance of points (n, 3) to the outer skin, positive outside, mm."""
        return self.closest(points)[0]

    def closest(self, points: Floats) -> tuple[Floats, Floats]:
        """Signed distance (n,) and outward unit normal (n, 3) at the nearest point of the outer skin.

        Exact within a fillet's radius of the skin, beyond the branch's own start.
        """
        forward, _, _ = self.frame
        across = points * [1.0, 1.0, 0.0]
        aside = points - (points @ forward)[:, None] * forward
        from_main = np.linalg.norm(across, axis=1) - self.main_radius_mm
        from_branch = np.linalg.norm(aside, axis=1) - self.branch_radius_mm
        on_branch = (from_branch < from_main) & (points @ forward > 0.0)
        distance = np.where(on_branch, from_branch, from_main)
        normal = np.where(on_branch[:, None], aside, across)
        centre, _, on_b, on_m = self.balls(self._nearest_ball(points))
        offset = points - centre
        arc = (on_m - on_b) / np.linalg.norm(on_m - on_b, axis=1, keepdims=True)
        # between the two contacts: nearer to the middle of the arc than these are
        middle = -(on_m + on_b) / np.linalg.norm(on_m + on_b, axis=1, keepdims=True)
        half = np.arccos(np.clip(np.sum(-on_b * middle, axis=1), -1.0, 1.0))
        angle = np.arctan2(np.abs(np.sum(offset * arc, axis=1)), np.sum(offset * middle, axis=1))
        away = np.linalg.norm(offset, axis=1)
        inside = (angle < half) & (away > 0.0) & (away < 2.0 * self.fillet_mm)
        distance = np.where(inside, self.fillet_mm - away, distance)
        normal = np.where(inside[:, None], -offset, normal)
        return distance, normal / np.linalg.norm(normal, axis=1, keepdims=True)

    def _nearest_ball(self, points: Floats) -> Floats:
        """Angles around the branch of the balls whose centres are nearest to points, (n,)."""
        _, side, up = self.frame
        turn = np.arctan2(points @ up, points @ side)
        for _ in range(_STEPS):
            centre, rate, _, _ = self.balls(turn)
            step = np.sum((points - centre) * rate, axis=1) / np.sum(rate**2, axis=1)
            turn = turn + np.clip(step, -0.2, 0.2)
        return np.asarray(turn)

    def arc(self, turn_rad: Floats, share: Floats) -> Floats:
        """Points of the fillet, from the main tube (share 0) to the branch (1), (n, 3)."""
        centre, _, on_b, on_m = self.balls(turn_rad)
        whole = np.arccos(np.clip(np.sum(on_b * on_m, axis=1), -1.0, 1.0))
        first, last = np.sin((1.0 - share) * whole), np.sin(share * whole)
        spoke = (first[:, None] * on_m + last[:, None] * on_b) / np.sin(whole)[:, None]
        return np.asarray(centre - self.fillet_mm * spoke)

    def to_json(self) -> dict[str, Any]:
        """The fields, for ``truth.json``."""
        return asdict(self)


def rolled(
    joint: RolledJoint,
    main_mm: tuple[float, float],
    branch_mm: float,
    *,
    edge_mm: float,
    rng: np.random.Generator,
) -> Skin:
    """One skin of the main tube (part 0), over ``main_mm`` along z, and the branch (part 1).

    The branch ends ``branch_mm`` from the main tube's axis. Its ``along_mm`` begins on the main tube and goes
    over the fillet first.
    """
    low, high = main_mm
    radii = (joint.main_radius_mm, joint.main_radius_mm)
    main = ArcTube((0.0, 0.0, low), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0), high - low, radii, radii)
    turns = np.linspace(0.0, 2 * np.pi, 720, endpoint=False)
    begins = joint.balls(turns)[0] @ joint.frame[0]
    across = joint.arc(turns, np.zeros(720)) - joint.arc(turns, np.ones(720))
    fillet_mm = 1.1 * float(np.linalg.norm(across, axis=1).mean())
    straight_mm = branch_mm - float(begins.mean())
    wide_mm = 2 * np.pi * (joint.branch_radius_mm + _WIDER * joint.fillet_mm)
    strip, around, faces = unrolled_triangles(fillet_mm + straight_mm, wide_mm, edge_mm=edge_mm, rng=rng)
    points = joint.arc(2 * np.pi * around, np.clip(strip / fillet_mm, 0.0, 1.0))
    begin = points @ joint.frame[0]
    past = np.clip(strip / fillet_mm - 1.0, 0.0, None) * fillet_mm / straight_mm
    points += (past * (branch_mm - begin))[:, None] * joint.frame[0]

    ring = np.flatnonzero(strip == 0.0)
    ring = ring[np.argsort(around[ring])]
    plane = scattered(main.length_mm, main.perimeter_mm(), edge_mm=edge_mm, rng=rng)
    plane, corners = pierced(main, plane, [points[ring]], edge_mm=edge_mm)
    main_points, main_around = on_main(main, plane)
    n = len(plane)
    return Skin(
        points=np.concatenate([main_points, points]),
        faces=np.concatenate([np.append(np.arange(n), ring + n)[corners], faces + n]).astype(np.int32),
        part=np.repeat([0, 1], [n, len(points)]),
        along_mm=np.concatenate([plane[:, 0], strip]),
        around=np.concatenate([main_around, around]),
    )
