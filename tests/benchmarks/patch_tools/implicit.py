"""The zero level of a function of space by radial basis functions (SciPy).

J. C. Carr and others, "Reconstruction and representation of 3D objects with radial basis functions", SIGGRAPH
2001 (cited from memory): the function is 0 at points of the surface, and their distance at points set off
along the normals.
"""

import numpy as np
from scipy.interpolate import RBFInterpolator

from .broken_patch import Floats, NoAnswer, PatchScan, Sheet, compacted
from .filling import filled
from .quadrics import on_quadrics, spread

#: Points on the surface and so far off it on both sides (mm): three times as many centres.
_MOST, _OFF_MM = 1000, 1.0
#: Smoothing of each kernel; on the development cases a hundred times less or more changes little.
_SMOOTHINGS = {"cubic": 1e-3, "quintic": 0.1}
#: Newton's steps along the normals, none longer than so much (mm), and how near to 0 is on the surface.
_STEPS, _LONGEST_MM, _NEAR_MM = 8, 3.0, 0.01
_LEAST_SLOPE = 0.1


def zero_level(scan: PatchScan, kernel: str) -> Sheet:
    """The filling's vertices moved along their normals to where the function vanishes.

    Surroundings within one width of the patch are smoothed and thinned first. Where no zero is found there
    is no surface.
    """
    around = scan.around(scan.width_mm)
    points, normals = on_quadrics(around, spread(around.vertices, _MOST))
    centres = np.concatenate([points, points + _OFF_MM * normals, points - _OFF_MM * normals])
    value = np.repeat([0.0, _OFF_MM, -_OFF_MM], len(points))
    middle = points.mean(axis=0)
    level = RBFInterpolator(centres - middle, value, kernel=kernel, smoothing=_SMOOTHINGS[kernel])
    start = filled(scan).sheet
    way, rest = _zeros(level, start.vertices - middle, start.normals)
    good = np.abs(rest) < _NEAR_MM
    faces = start.faces[good[start.faces].all(axis=1)]
    if len(faces) == 0:
        raise NoAnswer("the function has no zero near the filling")
    return compacted(start.vertices + way[:, None] * start.normals, faces)


def _zeros(level: RBFInterpolator, start: Floats, normals: Floats) -> tuple[Floats, Floats]:
    """Ways (n,) along the normals to the zeros, by the secant method, and the function's value there."""
    before, left_before = np.zeros(len(start)), level(start)
    way = before - np.clip(left_before, -_LONGEST_MM, _LONGEST_MM)
    for _ in range(_STEPS):
        left = level(start + way[:, None] * normals)
        moved = way - before
        slope = np.divide(left - left_before, moved, out=np.ones_like(left), where=np.abs(moved) > 1e-9)
        slope = np.copysign(np.maximum(np.abs(slope), _LEAST_SLOPE), slope)
        before, left_before = way, left
        way = way - np.clip(left / slope, -_LONGEST_MM, _LONGEST_MM)
    return before, left_before
