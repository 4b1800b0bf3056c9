"""Is the part where its target takes it to be? Found out on intact flanks, never on the repair."""

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from gaploft.stock.model import Alignment
from gaploft.stock.nearest import TriangleTree, distance_along
from gaploft.tube.axes import SIDE, SLIDE, TILT, TWIST, Axes, axes_about, moved
from gaploft.tube.robust import blocks, sandwich, tukey

Floats = NDArray[np.float64]

#: A motion of 1 mm that moves the flanks by less than this along their normals, root mean square, is not
#: seen: what is wrong with their form by 0.01 mm would pass for a third of a millimetre.
_LEAST_SHOWN = 0.03
#: Nor is one whose own standard uncertainty is more than this, mm.
_LEAST_KNOWN_MM = 0.1
_ROUNDS, _DONE_MM = 30, 1e-5
_LEAST_POINTS, _LEAST_BLOCKS, _MOST_POINTS = 200, 12, 8000
#: Chance that noise alone is called a misfit.
_CHANCE = 0.01
_NAMES = ("sideways", "sideways", "angle", "angle", "twist about the tube", "slide along the tube")
#: The same where the surface is no tube.
_PLAIN_NAMES = (*_NAMES[:4], "a turn about its straightest direction", "a slide along that direction")
#: A direction is told as seen when so much of it is.
_SEEN_SHARE = 0.9


def find_alignment(
    triangles: TriangleTree,
    points: Floats,
    normals: Floats,
    centre: Floats,
    *,
    reach_mm: float,
    on: Literal["flanks", "overlap"] = "flanks",
    tube: bool = True,
) -> Alignment | None:
    """Find the rigid motion that lays a measured part onto intact surface.

    Parameters
    ----------
    triangles : the part
    points, normals : (n, 3) on the intact outer surface, and its outward unit normals
    centre : (3,) the point about which the motion is told
    reach_mm : the part is off by no more than this, as one that is in the same frame is
    on : what the points are of
    tube : whether they are of a tube, for the names of directions that it does not show

    Returns
    -------
    Alignment
        Not applied; None where too little of the intact surface was met.

    Notes
    -----
    Point-to-plane least squares (Y. Chen and G. Medioni, Image and Vision Computing 10(3), 1992; cited from
    memory) with Tukey's weights, scale from the median of the residuals, repeated until nothing moves.
    Directions in which the surface can slide along itself, as a round straight tube can turn and slide, are
    found as weak eigenvectors of the normal equations and left alone. Uncertainties are those of a cluster
    sandwich (K.-Y. Liang and S. L. Zeger, Biometrika 73(1), 1986; cited from memory): noise goes together
    over some mm, so blocks of 6 mm are taken as single observations.
    """
    some = slice(None, None, max(1, len(points) // _MOST_POINTS))
    points, normals = points[some], normals[some]
    axes = axes_about(points, normals, centre)
    matrix = np.eye(4)
    for _ in range(_ROUNDS):
        back = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
        height = distance_along(triangles, moved(points, back), normals @ back[:3, :3].T, reach_mm=reach_mm)
        there = np.flatnonzero(np.isfinite(height))
        if len(there) < _LEAST_POINTS:
            return None
        columns, residual, block = (
            axes.columns(points[there], normals[there]),
            height[there],
            blocks(points[there]),
        )
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-9)
        weight = tukey(residual, scale)
        seen = _seen_directions(columns, weight, scale, int(block.max()) + 1)
        if block.max() < _LEAST_BLOCKS or seen.shape[1] == 0:
            return None
        root = np.sqrt(weight)
        step = seen @ np.linalg.lstsq((columns @ seen) * root[:, None], -root * residual, rcond=None)[0]
        matrix = axes.matrix(step) @ matrix
        if np.abs(step).max() < _DONE_MM:
            break
    covariance = seen @ sandwich(columns @ seen, residual, scale, block) @ seen.T
    told = _told(axes, axes.steps(matrix), covariance, seen)
    told["unseen"] = _unseen(seen, _NAMES if tube else _PLAIN_NAMES)
    chance = _chance(seen.T @ axes.steps(matrix), seen.T @ covariance @ seen, int(block.max()) + 1)
    counted = weight > 0.0
    return Alignment(
        **told,
        rms_mm=float(np.sqrt(np.mean(residual[counted] ** 2))),
        points=len(there),
        share=float(counted.sum()) / len(points),
        matrix=matrix,
        significant=chance < _CHANCE,
        applied=False,
        on=on,
        moves_mm=float(np.sqrt(np.mean((columns @ axes.steps(matrix)) ** 2))),
        axes=axes,
        covariance=covariance,
    )


def moved_by(alignment: Alignment, points: Floats, normals: Floats) -> Floats:
    """Standard uncertainty along normals, (n,) mm, that an alignment leaves at points: what its own spread
    moves them by, and where it was found but not applied also the whole of its motion."""
    columns = alignment.axes.columns(points, normals)
    own = np.einsum("ij,jk,ik->i", columns, alignment.covariance, columns)
    left = np.zeros(len(points))
    if alignment.significant and not alignment.applied:
        left = columns @ alignment.axes.steps(alignment.matrix)
    return np.asarray(np.sqrt(np.maximum(own, 0.0) + left**2))


def _seen_directions(columns: Floats, weight: Floats, scale: float, n_blocks: int) -> Floats:
    """Directions of motion that the surface shows, (6, k), orthonormal."""
    shown, ways = np.linalg.eigh((columns * weight[:, None]).T @ columns / max(float(weight.sum()), 1e-12))
    known = scale / np.sqrt(n_blocks * np.maximum(shown, 1e-12))
    return np.asarray(ways[:, (shown >= _LEAST_SHOWN**2) & (known <= _LEAST_KNOWN_MM)])


def _chance(steps: Floats, covariance: Floats, n_blocks: int) -> float:
    """Chance that noise alone moves so far (Hotelling's test)."""
    k = len(steps)
    surprise = float(steps @ np.linalg.solve(covariance + 1e-18 * np.eye(k), steps)) / k
    return float(fdtrc(k, max(n_blocks - k, 1), surprise))


def _told(axes: Axes, steps: Floats, covariance: Floats, seen: Floats) -> dict[str, Any]:
    """Offset, angle, twist and slide with their standard uncertainties."""
    degrees = np.degrees(1.0 / axes.radius_mm)
    told: dict[str, Any] = {}
    for name, part, unit in (("offset", SIDE, 1.0), ("angle", TILT, degrees)):
        size, own = float(np.linalg.norm(steps[part])), covariance[part, part]
        way = steps[part] / size if size > 0.0 else np.sqrt(np.array([0.5, 0.5]))
        suffix = "mm" if unit == 1.0 else "deg"
        told[f"{name}_{suffix}"] = unit * size
        told[f"{name}_u_{suffix}"] = unit * float(np.sqrt(max(way @ own @ way, 0.0)))
    share = np.einsum("ij,ij->i", seen, seen)
    for name, k, unit, suffix in (("twist", TWIST, degrees, "deg"), ("slide", SLIDE, 1.0, "mm")):
        known = share[k] >= _SEEN_SHARE
        told[f"{name}_{suffix}"] = unit * float(steps[k]) if known else None
        told[f"{name}_u_{suffix}"] = unit * float(np.sqrt(covariance[k, k])) if known else None
    return told


def _unseen(seen: Floats, names: tuple[str, ...]) -> tuple[str, ...]:
    """Names of the directions that are not seen."""
    share = np.einsum("ij,ij->i", seen, seen)
    return tuple(dict.fromkeys(names[k] for k in np.flatnonzero(share < _SEEN_SHARE)))
