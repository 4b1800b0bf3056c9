"""What is wrong with a machine's frame by fixture spheres, each in one sentence."""

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.scan.frame import Frame
from gaploft.scan.sphere_fit import FittedSphere

Floats = NDArray[np.float64]

#: Half width of 95 % in standard uncertainties.
_HALF_WIDTH = 1.96
#: What a fixture may be off before something else is wrong than noise: in radius, in distance, in place.
_RADIUS_OFF_MM, _DISTANCE_OFF_MM, _PLACE_OFF_MM = 0.1, 0.1, 0.2
#: Largest half width of the 95 % interval of a centre.
_CENTRE_U95_MM = 0.05


def check_number(n: int) -> None:
    """Three spheres set a frame."""
    if n < 3:
        raise InputError(f"a frame needs at least 3 spheres, {n} {'is' if n == 1 else 'are'} given: add more")


def check_sphere(sphere: FittedSphere, radius_mm: float | None, name: str) -> None:
    """Is the centre known, and is the radius the nominal one?"""
    if sphere.u_mm * _HALF_WIDTH > _CENTRE_U95_MM:
        raise InputError(
            f"too little of {name} was scanned to know its centre: 95 % lies within "
            f"{_HALF_WIDTH * sphere.u_mm:.2f} mm, {_CENTRE_U95_MM:.2f} mm is needed: scan more of its surface"
        )
    room = _RADIUS_OFF_MM + _HALF_WIDTH * sphere.radius_u_mm
    if radius_mm is not None and abs(sphere.radius_mm - radius_mm) > room:
        raise InputError(
            f"{name} has a radius of {sphere.radius_mm:.3f} mm in the scan, {radius_mm:.3f} mm were given: "
            "correct the radius, the unit or the approximate centre"
        )


def check_apart(spheres: tuple[FittedSphere, ...]) -> None:
    """Did two approximate centres lead to one sphere?"""
    for (i, one), (j, two) in combinations(enumerate(spheres, start=1), 2):
        if np.linalg.norm(one.centre_mm - two.centre_mm) < one.radius_mm:
            raise InputError(
                f"the approximate centres of spheres {i} and {j} lead to the same sphere: correct one of them"
            )


def check_distances(spheres: tuple[FittedSphere, ...], at: Floats) -> None:
    """Are the distances those of the places ``at``, (k, 3)? They do not depend on the motion."""
    worst = (0.0, "")
    for i, j in combinations(range(len(spheres)), 2):
        one, two = spheres[i], spheres[j]
        seen = float(np.linalg.norm(one.centre_mm - two.centre_mm))
        given = float(np.linalg.norm(at[i] - at[j]))
        over = abs(seen - given) - _DISTANCE_OFF_MM - _HALF_WIDTH * float(np.hypot(one.u_mm, two.u_mm))
        if over > worst[0]:
            worst = (
                over,
                f"spheres {i + 1} and {j + 1} are {seen:.3f} mm apart in the scan and {given:.3f} mm by "
                "their places in the machine's frame: correct the places, or scan again",
            )
    if worst[1]:
        raise InputError(worst[1])


def check_places(frame: Frame) -> None:
    """Does every sphere come to lie where the machine has it?"""
    if frame.largest_mm > _PLACE_OFF_MM:
        off = np.linalg.norm(frame.residuals_mm, axis=1)
        raise InputError(
            f"sphere {int(np.argmax(off)) + 1} comes to lie {off.max():.2f} mm off its place in the machine, "
            "though all distances are right: correct the places, whose frame may be left-handed"
        )
