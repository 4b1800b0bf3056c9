"""The rigid motion of one half of a tube against the other, with its uncertainty."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

#: A twist or slide is part of the motion only when it stands out from zero by this many standard
#: uncertainties: offset and angle always are.
_STANDS_OUT = 3.0
TWIST, SLIDE = 4, 5


@dataclass(frozen=True)
class Motion:
    """How a half lies against where the other one asks for it, about a point on the axis between them.

    Attributes
    ----------
    steps : (6,) mm: sideways twice, tilt about these two directions, twist about the axis, slide along it;
        turns count in mm at ``radius_mm``
    covariance : (6, 6) of the steps, mm^2; rows of what is not seen are zero
    seen : (6,) which of them the scan shows at all
    directions : (3, 3) rows: the two directions sideways and the axis
    """

    steps: NDArray[np.float64]
    covariance: NDArray[np.float64]
    seen: NDArray[np.bool_]
    directions: NDArray[np.float64]
    centre: NDArray[np.float64]
    radius_mm: float

    @property
    def surprise(self) -> float:
        """Squared length in standard uncertainties, per direction seen."""
        part = np.ix_(self.seen, self.seen)
        steps = self.steps[self.seen]
        return float(steps @ np.linalg.solve(self.covariance[part], steps)) / len(steps)

    def settled(self) -> "Motion":
        """The same with twist and slide held at zero unless they stand out on their own."""
        spread = np.sqrt(np.diag(self.covariance))
        kept = self.seen.copy()
        kept[TWIST:] &= np.abs(self.steps[TWIST:]) > _STANDS_OUT * spread[TWIST:]
        information = np.zeros((6, 6))
        part = np.ix_(self.seen, self.seen)
        information[part] = np.linalg.inv(self.covariance[part])
        return solved(self, information, information @ self.steps, kept)

    def at(self, matrix: NDArray[np.float64], centre: NDArray[np.float64]) -> "Motion":
        """The same uncertainty with the steps of another motion (4, 4), about another point."""
        turn = self.directions @ Rotation.from_matrix(matrix[:3, :3]).as_rotvec() * self.radius_mm
        shift = self.directions @ (moved(centre[None], matrix)[0] - centre)
        steps = np.array([shift[0], shift[1], turn[0], turn[1], turn[2], shift[2]])
        return replace(self, steps=np.where(self.seen, steps, 0.0), centre=centre)

    def matrix(self) -> NDArray[np.float64]:
        """(4, 4) motion that carries the half from where it should be to where it is, scan frame, mm."""
        sideways, axis = self.directions[:2], self.directions[2]
        shift = self.steps[:2] @ sideways + self.steps[SLIDE] * axis
        turn = (self.steps[2:4] @ sideways + self.steps[TWIST] * axis) / self.radius_mm
        placed = np.eye(4)
        placed[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
        placed[:3, 3] = self.centre + shift - placed[:3, :3] @ self.centre
        return placed


def moved(points: NDArray[np.float64], matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (n, 3) carried by a rigid motion (4, 4)."""
    return np.asarray(points @ matrix[:3, :3].T + matrix[:3, 3])


def solved(
    like: Motion, information: NDArray[np.float64], pull: NDArray[np.float64], kept: NDArray[np.bool_]
) -> Motion:
    """Steps of the directions that are kept, from their normal equations; the others are held at zero.

    Parameters
    ----------
    like : point, directions and radius
    information, pull : (6, 6) and (6,), per mm^2 and per mm
    kept : (6,)
    """
    part = np.ix_(kept, kept)
    covariance, steps = np.zeros((6, 6)), np.zeros(6)
    covariance[part] = np.linalg.inv(information[part])
    steps[kept] = covariance[part] @ pull[kept]
    return replace(like, steps=steps, covariance=covariance, seen=kept)
