"""Surfaces of the second degree: what a fair field stands on where surroundings are no tubes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

from gaploft.errors import EvidenceError
from gaploft.patch.meeting import Against
from gaploft.surface.fit import tukey_weights

Floats = NDArray[np.float64]

#: Fits with weights renewed, and steps from a point to its foot.
_ROUNDS, _FOOT_STEPS = 6, 8
#: Points farther than this from the surface are not brought onto it at once, and feet are found to, mm.
_FARTHEST_MM, _STILL_MM = 20.0, 1e-9
#: A quadric is the ground of a field when the scan is no farther off it, root mean square, mm.
_ROUGHEST_MM = 1.5
_SCALE_FLOOR_MM = 0.02


@dataclass(frozen=True)
class Quadric:
    """Points at which a polynomial of the second degree is 0; where it is positive is outside.

    Attributes
    ----------
    middle, size_mm : the polynomial's own origin (3,) and unit
    square : (3, 3) symmetric, of the squares and products
    slope : (3,), level : of the rest
    """

    middle: Floats
    size_mm: float
    square: Floats
    slope: Floats
    level: float

    def _value(self, x: Floats) -> tuple[Floats, Floats]:
        """Polynomial and gradient at points in its own unit."""
        moved = x @ self.square
        return ((moved + self.slope) * x).sum(axis=1) + self.level, 2.0 * moved + self.slope

    def against(self, points: Floats) -> Against:
        """Signed distance and outward normal of points (n, 3) near the surface.

        Notes
        -----
        A foot is slid under its point within the tangent plane and pulled back onto the surface, in turns:
        each turn leaves distance times curvature of what was off.
        """
        x = (points - self.middle) / self.size_mm
        foot = self._pulled(self._pulled(self._pulled(x)))
        for _ in range(_FOOT_STEPS):
            normal = _unit(self._value(foot)[1])
            off = x - foot
            slide = off - (off * normal).sum(axis=1)[:, None] * normal
            foot = self._pulled(self._pulled(foot + slide))
            if np.abs(slide).max(initial=0.0) * self.size_mm < _STILL_MM:
                break
        normal = _unit(self._value(foot)[1])
        distance = self.size_mm * ((x - foot) * normal).sum(axis=1)
        return Against(distance, normal, np.zeros(len(points), dtype=np.int64))

    def onto(self, points: Floats) -> Floats:
        """Points moved onto the surface along its normals, (n, 3)."""
        found = self.against(points)
        step = np.where(np.abs(found.distance) < _FARTHEST_MM, found.distance, 0.0)
        return np.asarray(points - step[:, None] * found.normal)

    def spread(self, points: Floats) -> Floats:
        """None, (n,) mm: what its ten numbers may be off, a field over it is free to take up."""
        return np.zeros(len(points))

    def _pulled(self, x: Floats) -> Floats:
        """One Newton step along the gradient, no longer than the polynomial's unit."""
        value, slope = self._value(x)
        step = (value / np.maximum((slope**2).sum(axis=1), 1e-12))[:, None] * slope
        length = np.linalg.norm(step, axis=1, keepdims=True)
        return np.asarray(x - step / np.maximum(length, 1.0))


def fit_quadric(points: Floats, normals: Floats, areas: Floats) -> Quadric:
    """The quadric nearest to points.

    Parameters
    ----------
    points, normals : (n, 3); normals only say which side is outside
    areas : (n,) how much each point counts

    Raises
    ------
    EvidenceError
        No quadric is anywhere near the points.

    Notes
    -----
    G. Taubin, "Estimation of planar curves, surfaces, and nonplanar space curves defined by implicit
    equations", IEEE Transactions on Pattern Analysis and Machine Intelligence 13(11), 1991: the polynomial
    of least mean square over the mean square of its gradient, here with points weighted anew by how far they
    are off and by their gradients, which makes values of it distances (cited from memory).
    """
    middle = points.mean(axis=0)
    size = float(np.sqrt(((points - middle) ** 2).sum(axis=1).mean()))
    x = (points - middle) / size
    terms, slopes = _terms(x), _slopes(x)
    weight = areas / areas.sum()
    found, off = np.zeros(10), np.zeros(len(x))
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)[:, None]
        one = (root * terms).T @ (root * terms)
        two = np.einsum("n,nci,ndi->cd", weight, slopes, slopes)
        # A constant has no gradient: the second form is of rank nine.
        found = eigh(one[1:, 1:] - np.outer(one[1:, 0], one[1:, 0]) / one[0, 0], two[1:, 1:])[1][:, 0]
        found = np.concatenate([[-(one[0, 1:] @ found) / one[0, 0]], found])
        steep = np.linalg.norm(np.einsum("c,nci->ni", found, slopes), axis=1)
        steep = np.maximum(steep, 0.05 * float(np.median(steep)))
        off = size * (terms @ found) / steep
        scale = max(1.4826 * float(np.median(np.abs(off))), _SCALE_FLOOR_MM)
        weight = areas * tukey_weights(off, scale) / steep**2
        if weight.sum() <= 0.0:
            raise EvidenceError("no surface of the second degree is anywhere near the scan")
        weight /= weight.sum()
    if float(np.sqrt(np.average(off**2, weights=areas))) > _ROUGHEST_MM:
        raise EvidenceError("no surface of the second degree is anywhere near the scan")
    c, b, a = found[0], found[1:4], found[4:]
    square = np.array([[a[0], a[3] / 2, a[5] / 2], [a[3] / 2, a[1], a[4] / 2], [a[5] / 2, a[4] / 2, a[2]]])
    made = Quadric(middle, size, square, b, float(c))
    if float((made._value(x)[1] * normals).sum(axis=1).mean()) < 0.0:
        made = Quadric(middle, size, -square, -b, -float(c))
    return made


def _terms(x: Floats) -> Floats:
    one, two = x, np.roll(x, -1, axis=1)
    return np.column_stack([np.ones(len(x)), x, x**2, one * two])


def _slopes(x: Floats) -> Floats:
    """Gradients of all terms, (n, 10, 3)."""
    n = len(x)
    slopes = np.zeros((n, 10, 3))
    for k in range(3):
        after = (k + 1) % 3
        slopes[:, 1 + k, k] = 1.0
        slopes[:, 4 + k, k] = 2.0 * x[:, k]
        slopes[:, 7 + k, k] = x[:, after]
        slopes[:, 7 + k, after] = x[:, k]
    return slopes


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-12))
