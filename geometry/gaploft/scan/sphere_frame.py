"""A machine's frame by fixture spheres that were scanned with the part."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.checks import as_points, as_positive
from gaploft.errors import InputError
from gaploft.scan.frame import Frame, carried, check_flat, points_frame, rigid_motion, three_point_matrix
from gaploft.scan.sphere_checks import check_apart, check_distances, check_number, check_places, check_sphere
from gaploft.scan.sphere_fit import FittedSphere, fit_sphere
from gaploft.scan.sphere_search import near_sphere, search_sphere

Floats = NDArray[np.float64]


def fit_frame(
    vertices_mm: NDArray[np.floating],
    *,
    points_mm: ArrayLike | None = None,
    spheres_mm: ArrayLike | None = None,
    radius_mm: float | None = None,
    at_mm: ArrayLike | None = None,
) -> Frame:
    """Find the frame that is asked for: by points, by spheres, or that of the scan where neither is given.

    Raises
    ------
    ValueError
        Both are given.
    InputError
        See :func:`points_frame` and :func:`spheres_frame`.
    """
    if points_mm is not None and spheres_mm is not None:
        raise ValueError("a frame is set by points or by spheres, not by both")
    if points_mm is not None:
        return points_frame(points_mm)
    if spheres_mm is not None:
        return spheres_frame(vertices_mm, spheres_mm, radius_mm=radius_mm, at_mm=at_mm)
    return Frame("scan", np.eye(4))


def spheres_frame(
    vertices_mm: NDArray[np.floating],
    spheres_mm: ArrayLike,
    *,
    radius_mm: float | None = None,
    at_mm: ArrayLike | None = None,
) -> Frame:
    """Frame by fixture spheres seen in the scan.

    Parameters
    ----------
    vertices_mm : (n, 3) points of the scan
    spheres_mm : array_like, (k, 3), approximate centres, scan frame. With a radius, a point anywhere on the
        sphere will do; without, the true centre has to be within half a radius.
    radius_mm : nominal radius of all spheres, or None: each has its own
    at_mm : array_like, (k, 3), where the machine has the centres; then the least-squares motion of all
        sets the frame. Without it the first three set it, as in :func:`points_frame`.

    Raises
    ------
    ValueError
        Arrays of a wrong shape or a radius that is not above 0.
    InputError
        Fewer than three spheres, none found at a centre, too little of one scanned, a radius off from the
        nominal one, distances that are not those of ``at_mm``, or centres nearly on a line.

    Notes
    -----
    The radius is free in the fit even where it is known: it shows whether spray, scale or the wrong thing was
    fitted.
    """
    starts = as_points(spheres_mm, name="spheres_mm")
    at = None if at_mm is None else as_points(at_mm, name="at_mm")
    if radius_mm is not None:
        as_positive(radius_mm, name="radius_mm")
    if at is not None and len(at) != len(starts):
        raise ValueError(f"at_mm must hold {len(starts)} places, got {len(at)}")
    check_number(len(starts))
    spheres = tuple(_found(vertices_mm, start, radius_mm, i + 1) for i, start in enumerate(starts))
    check_apart(spheres)
    centres = np.array([sphere.centre_mm for sphere in spheres])
    if at is None:
        return Frame("spheres", three_point_matrix(centres[:3], "spheres"), spheres)
    check_flat(at, "places of the spheres in the machine's frame")
    check_distances(spheres, at)
    matrix = rigid_motion(centres, at)
    frame = Frame("spheres", matrix, spheres, at, carried(matrix, centres) - at)
    check_places(frame)
    return frame


def place_covariance(frame: Frame, points_mm: Floats) -> Floats:
    """Covariance of moved points, (n, 3, 3) mm^2, from that of the centres the frame rests on.

    Only what the scan leaves open is in it, not how well the machine knows its own places.

    Parameters
    ----------
    frame : of kind "spheres"; what three typed points are worth is not known
    points_mm : (n, 3), scan frame

    Raises
    ------
    ValueError
        The frame does not rest on spheres.
    """
    if frame.kind != "spheres":
        raise ValueError(f"a frame by {frame.kind} has no covariance")
    centres = np.array([sphere.centre_mm for sphere in frame.spheres])
    # Steps far above rounding and far below where the motion bends.
    step = 1e-5 * float(np.linalg.norm(centres - centres.mean(axis=0), axis=1).max())
    covariance = np.zeros((len(points_mm), 3, 3))
    for i, sphere in enumerate(frame.spheres):
        by_centre = np.empty((len(points_mm), 3, 3))
        for axis in range(3):
            nudge = np.zeros_like(centres)
            nudge[i, axis] = step
            ahead, back = (_matrix(frame, centres + sign * nudge) for sign in (1.0, -1.0))
            by_centre[:, :, axis] = (carried(ahead, points_mm) - carried(back, points_mm)) / (2.0 * step)
        covariance += by_centre @ sphere.covariance_mm2 @ by_centre.transpose(0, 2, 1)
    return covariance


def _matrix(frame: Frame, centres: Floats) -> Floats:
    if len(frame.at_mm):
        return rigid_motion(centres, frame.at_mm)
    return three_point_matrix(centres[:3], "spheres")


def _found(
    vertices: NDArray[np.floating], start: Floats, radius_mm: float | None, number: int
) -> FittedSphere:
    """Search, fit and check one sphere."""
    name = f"sphere {number}"
    near = near_sphere(vertices, start, radius_mm)
    if len(near) == 0:
        place = ", ".join(f"{value:.1f}" for value in start)
        raise InputError(
            f"no scan points lie near {name} at ({place}) mm: correct its approximate centre or the unit"
        )
    sphere = fit_sphere(near, *search_sphere(near, start, radius_mm, name=name), name=name)
    check_sphere(sphere, radius_mm, name)
    return sphere
