"""Scans of spare sections: the same intact tube as a broken one, cut, posed and made otherwise.

``donor_of(broken_tube("aerofoil", 100.0, seed=1), seed=2)`` gives the scan of a spare section of that
tube, and the motion that lays it onto the broken scan. How far a found motion is from it is told up to
what nobody can see: the tube's own symmetries.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lofted import BrokenTube, Floats
from scan_faults import ScanFaults, random_turn
from scan_like import Evaluate, scan_like
from symmetries import as_motion, moved, symmetry_of, visible

#: Faults of the scan maker that only a broken tube has.
_OF_A_GAP = ("ragged_mm", "rim", "half_round_deg", "offset_mm", "angle_deg", "twist_deg", "posed")
#: Where the scan maker is told a gap of no length; it sets no hole or boss within 15 mm of it (mm).
_NO_GAP_MM = 30.0
#: What a tilt counts beside a shift when the nearest of several symmetric motions is taken (mm).
_LEVER_MM = 50.0


@dataclass(frozen=True)
class DonorScan:
    """The scan of a spare section, and the truth about it.

    ``vertices`` (n, 3) and ``faces`` (m, 3) are the scan in its own frame; ``motion`` (4, 4) carries its
    coordinates into the frame of the broken scan, improper when the donor is ``mirrored``; ``from_tube``
    (4, 4) carries those of the lofted tube into the donor's. ``span_mm`` is the stretch of the tube that
    was scanned. A donor that is scaled or bent agrees with the truth exactly in the middle of the gap.
    """

    broken: BrokenTube
    vertices: Floats
    faces: NDArray[np.int32]
    motion: Floats
    from_tube: Floats
    span_mm: tuple[float, float]
    mirrored: bool

    def truth_error(self, points: Floats) -> Floats:
        """Signed distance of points in the donor's frame to the tube's original surface, mm."""
        return self.broken.tube.distance(moved(np.linalg.inv(self.from_tube), points))

    def motion_error(self, found: Floats) -> tuple[float, float]:
        """How far a found motion (4, 4) is from the true one at the middle of the gap: mm, degrees.

        A motion that differs from the true one by a symmetry of the tube is as good as it: the half-turn
        of a straight oval about its axis, end for end of an hourglass. A bent oval has no half-turn. Of a
        body of revolution the turn about its axis is left out, of a cylinder the slide along it too, of
        a section that only twists the screw. A motion of the wrong hand is infinitely far off.
        """
        tube, middle = self.broken.tube, float(np.mean(self.broken.gap_mm))
        centre = self.broken.turn.apply(tube.centre(middle)) + self.broken.shift
        axis = np.asarray(self.broken.turn.apply(tube.axis(middle)))
        posed = as_motion(self.broken.turn.as_matrix(), self.broken.shift)
        seen = symmetry_of(tube)
        errors = [(np.inf, 180.0)]
        for same in seen.motions:
            off = np.asarray(found) @ np.linalg.inv(posed @ same @ np.linalg.inv(self.from_tube))
            if np.linalg.det(off[:3, :3]) > 0.0:
                errors.append(visible(off, centre, axis, seen))
        return min(errors, key=lambda error: error[0] + _LEVER_MM * np.deg2rad(error[1]))


def donor_of(
    broken: BrokenTube,
    seed: int,
    *,
    length_mm: float | None = None,
    start_mm: float | None = None,
    noise_mm: float = 0.02,
    edge_mm: float | None = None,
    posed: bool = True,
    mirrored: bool = False,
    reversed: bool = False,
    scale: float = 1.0,
    paint_mm: float = 0.0,
    sag_mm: float = 0.0,
    **faults: Any,
) -> DonorScan:
    """Scan a spare section of the tube that ``broken`` is of, with noise and pose of its own.

    Parameters
    ----------
    broken : BrokenTube
        The broken tube; triangles are as large as in its scan unless ``edge_mm`` is given.
    seed : int
        Same seed, same donor; its noise has nothing to do with the broken scan's.
    length_mm, start_mm : float
        The stretch of the whole lofted tube that is scanned; 92 % from its middle without them.
    posed : bool
        Turn the donor at random and shift it by up to 400 mm along each axis; else it lies as the tube.
    mirrored : bool
        The opposite side's part: x is turned to -x in the tube's own frame.
    reversed : bool
        Turn the donor end for end before it is posed; tells only when it is not.
    scale : float
        Larger or smaller about the middle of the gap, as another piece out of the same mould.
    paint_mm : float
        A film outward all over the donor.
    sag_mm : float
        Bend: its ends lie so much to a random side of where they should, when the gap's middle does not.
    faults
        Other fields of ``ScanFaults``; those of a gap are refused with a ``ValueError``.
    """
    if wrong := sorted(set(faults) & set(_OF_A_GAP)):
        raise ValueError(f"a donor has no gap, so no {', '.join(wrong)}")
    rng = np.random.default_rng([seed, 77])
    tube = broken.tube
    length = 0.92 * tube.length_mm if length_mm is None else length_mm
    start = 0.5 * (tube.length_mm - length) if start_mm is None else start_mm
    scan = scan_like(
        _other_piece(broken, start, length, scale=scale, paint_mm=paint_mm, sag_mm=sag_mm, rng=rng),
        length_mm=length,
        perimeter_mm=tube.perimeter_mm,
        gap_mm=(_NO_GAP_MM, _NO_GAP_MM),
        faults=ScanFaults(
            edge_mm=edge_mm or broken.faults.edge_mm, noise_mm=noise_mm, ragged_mm=0.0, **faults
        ),
        rng=rng,
    )
    turn = random_turn(rng).as_matrix() if posed else np.eye(3)
    shift = rng.uniform(-400.0, 400.0, 3) if posed else np.zeros(3)
    if reversed:
        turn = turn @ np.diag([1.0, -1.0, -1.0])
    from_tube = as_motion(turn @ np.diag([-1.0 if mirrored else 1.0, 1.0, 1.0]), shift)
    posed_tube = as_motion(broken.turn.as_matrix(), broken.shift)
    return DonorScan(
        broken,
        moved(from_tube, scan.vertices),
        scan.faces[:, ::-1] if mirrored else scan.faces,
        posed_tube @ np.linalg.inv(from_tube),
        from_tube,
        (start, start + length),
        mirrored,
    )


def _other_piece(
    broken: BrokenTube,
    start: float,
    length: float,
    *,
    scale: float,
    paint_mm: float,
    sag_mm: float,
    rng: np.random.Generator,
) -> Evaluate:
    """The surface of another piece of the same tube: scaled and bent about the gap's middle, painted."""
    tube, middle = broken.tube, float(np.mean(broken.gap_mm))
    centre, axis = tube.centre(middle), tube.axis(middle)
    side = np.cross(axis, rng.normal(size=3))
    side /= np.linalg.norm(side)
    curve = sag_mm / (0.5 * length) ** 2

    def evaluate(along: Floats, around: Floats) -> tuple[Floats, Floats]:
        points, normals = tube.evaluate(along + start, around)
        points = centre + scale * (points - centre)
        away = (points - centre) @ axis
        points = points + curve * away[:, None] ** 2 * side
        # the shear p + f(z) side takes normals along with the inverse transpose of its derivative
        normals = normals - (2.0 * curve * away * (normals @ side))[:, None] * axis
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        return points + paint_mm * normals, normals

    return evaluate
