"""Sheets that are tubes: their points laid out along a spine, fitted, and carried on under the junction."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import EvidenceError
from gaploft.evidence.intact import Intact, fit_intact
from gaploft.surface.model import TubeSurface
from gaploft.tube.around import around_map
from gaploft.tube.model import TubePoints
from gaploft.tube.spine import Spine, fit_spine

Floats = NDArray[np.float64]

#: Length of the slices that centres are found in, as a share of the radius.
_SLICE_SHARE = 0.35
#: Turn that a slice's points must cover to show its centre, rad.
_LEAST_ARC = 1.6
#: A tube shows at least so many slices.
_FEWEST_SLICES = 5
#: Residual of a circle beyond which a slice is no section of a tube, as a share of its radius.
_ROUND_SHARE = 0.25
#: Normals of a tube lean this little along its spine, root mean square.
_LEANING = 0.22
#: A strip of a tube that is seen nowhere along it is at most so wide, rad.
_UNSEEN = 2.4


@dataclass(frozen=True)
class TubeSheet:
    """One tube of a junction, fitted; it runs on beyond where it was seen."""

    intact: Intact

    @property
    def surface(self) -> TubeSurface:
        """The tube's outer surface."""
        return self.intact.shape.surface

    @property
    def curved(self) -> bool:
        """Whether it was fitted about an arc, not a line."""
        return self.intact.shape.sweep.arc.curvature != 0.0


def tube_points(points: Floats, normals: Floats, beyond_mm: float) -> TubePoints:
    """Points of one sheet along the spine of the tube that they lie on.

    Parameters
    ----------
    points, normals : (n, 3)
    beyond_mm : how far the tube is carried on past both ends of what was seen

    Raises
    ------
    EvidenceError
        The points don't lie on a tube, or too little of its turn is seen.
    """
    axis = _axis(points, normals)
    for _ in range(3):
        spine, radius = _spine_along(points, axis)
        chord = spine.points(np.array([spine.stop_mm])) - spine.points(np.array([spine.start_mm]))
        axis = chord[0] / np.linalg.norm(chord[0])
    u, angle, off = spine.locate(points)
    lean = np.einsum("ij,ij->i", normals, spine.tangents(u))
    if float(np.sqrt(np.mean(lean**2))) > _LEANING:
        raise EvidenceError("this sheet's normals lean along its axis: it is no tube")
    around = around_map(u, angle, off)
    v = around(angle)
    turn = np.sort(v)
    unseen = float(np.diff(np.append(turn, turn[0] + 2.0 * np.pi)).max())
    if unseen > _UNSEEN:
        raise EvidenceError(
            f"{np.degrees(unseen):.0f} degrees of this sheet's turn are not seen, at most "
            f"{np.degrees(_UNSEEN):.0f} may be: it shows too little of a tube"
        )
    flank = (float(u.min()) - beyond_mm, float(u.max()) + beyond_mm)
    middle = 0.5 * (flank[0] + flank[1])
    return TubePoints(
        points_mm=points,
        normals=normals,
        u=u,
        v=v,
        damaged=np.zeros(len(u), dtype=bool),
        gap_mm=(middle, middle),
        flank_mm=flank,
        stopped_by=("end", "end"),
        radius_mm=radius,
        tightest_mm=radius * around.tightest,
        patch=None,
        spine=spine,
    )


def _axis(points: Floats, normals: Floats) -> Floats:
    """The direction that the normals are most nearly square to."""
    axis = np.linalg.eigh(normals.T @ normals)[1][:, 0]
    return np.asarray(axis if axis[np.argmax(np.abs(axis))] > 0.0 else -axis)


def _spine_along(points: Floats, axis: Floats) -> tuple[Spine, float]:
    """A spine through the centres of circles in slices across an axis, and their middling radius."""
    side = np.eye(3)[np.abs(axis).argmin()]
    side = side - (side @ axis) * axis
    side /= np.linalg.norm(side)
    base = np.stack([axis, side, np.cross(axis, side)])
    flat = points @ base.T
    _, whole = _circle(flat[:, 1:])
    n_slices = max(1, int(np.ptp(flat[:, 0]) / max(_SLICE_SHARE * whole, 2.0)))
    row = np.clip(
        ((flat[:, 0] - flat[:, 0].min()) / np.ptp(flat[:, 0]) * n_slices).astype(int), 0, n_slices - 1
    )
    found = []
    for k in range(n_slices):
        part = flat[row == k]
        if len(part) < 20:
            continue
        centre, radius = _circle(part[:, 1:])
        off = part[:, 1:] - centre
        angle = np.sort(np.arctan2(off[:, 1], off[:, 0]))
        arc = 2.0 * np.pi - np.diff(np.append(angle, angle[0] + 2.0 * np.pi)).max()
        rms = float(np.sqrt(np.mean((np.hypot(*off.T) - radius) ** 2)))
        if arc > _LEAST_ARC and rms < _ROUND_SHARE * radius:
            found.append((part[:, 0].mean(), *centre, radius))
    if len(found) < _FEWEST_SLICES:
        raise EvidenceError(f"only {len(found)} sections of this sheet show a centre: it is no tube")
    rows = np.array(found)
    radius = float(np.median(rows[:, 3]))
    step = np.linalg.norm(np.diff(rows[:, :3], axis=0), axis=1)
    u = np.concatenate([[0.0], np.cumsum(step)])
    return fit_spine(u, rows[:, :3] @ base, knot_mm=2.0 * radius, smooth_mm=6.0 * radius), radius


def _circle(points: Floats) -> tuple[Floats, float]:
    """Circle through points (n, 2) by linear least squares.

    I. Kasa, "A circle fitting procedure and its error analysis", IEEE Transactions on Instrumentation and
    Measurement 25(1), 1976, pp. 8-14.
    """
    middle = points.mean(axis=0)
    x, y = (points - middle).T
    a, b, c = np.linalg.lstsq(np.column_stack([x, y, np.ones_like(x)]), x * x + y * y, rcond=None)[0]
    centre = np.array([a / 2.0, b / 2.0])
    return middle + centre, float(np.sqrt(max(c + centre @ centre, 0.0)))


def fit_tube(
    points: Floats,
    normals: Floats,
    beyond_mm: float,
    like: TubeSheet | None = None,
    density_mm4: float = 0.0,
) -> TubeSheet:
    """Fit the tube that a sheet lies on, curved or not ``like`` an earlier fit of it.

    Noise has at least this density. Raises EvidenceError where the sheet is no tube.
    """
    curved = None if like is None else like.curved
    tube = tube_points(points, normals, beyond_mm)
    return TubeSheet(fit_intact(tube, runs_on=True, curved=curved, density_mm4=density_mm4))
