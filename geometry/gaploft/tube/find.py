"""The tubes of a scan in which nobody has pointed at anything, such as a donor's."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.checks import as_vector
from gaploft.errors import InputError
from gaploft.progress import Progress, silent
from gaploft.scan.model import Scan
from gaploft.tube.follow import length_of
from gaploft.tube.model import TubePoints
from gaploft.tube.search import Search

Floats = NDArray[np.float64]


def find_tubes(
    scan: Scan,
    *,
    near_mm: ArrayLike | None = None,
    apart_from: TubePoints | None = None,
    progress: Progress = silent,
) -> tuple[TubePoints, ...]:
    """Find all tubes of a scan without marked damage, longest first, or the one at a place.

    Parameters
    ----------
    scan : mended scan, mm
    near_mm : array_like, shape (3,), mm
        A place on a tube's surface or within about a radius of its centreline: only that tube.
    apart_from : TubePoints
        The broken tube of the same scan, which is left out on both sides of its break.

    Returns
    -------
    tuple of TubePoints
        Each at least three diameters long, or 40 mm and one diameter, followed both ways to its ends or
        junctions; no point counts as damaged and the gap has no length. Stations rise along the
        largest component of the line from a tube's first to its last ring.

    Raises
    ------
    InputError
        There is no tube, none at the place, or the one there is the broken one.

    Notes
    -----
    Rings are looked for at places spread over the scan, always the same ones, and a tube is followed from
    the first ring of it that is seen; places on tubes found before are passed over.
    """
    search = Search(scan)
    if near_mm is not None:
        return (_at_place(search, as_vector(near_mm, name="near_mm"), apart_from, progress),)
    found = _everywhere(search, apart_from, progress)
    if not found:
        raise InputError(
            f"no {'other ' if apart_from else ''}tube was found in the donor's scan: it must show the intact "
            "tube as a mesh of its outside, over more than half of its turn and three diameters of its length"
        )
    return tuple(sorted(found, key=length_of, reverse=True))


def same_tube(one: TubePoints, other: TubePoints) -> bool:
    """Whether two tubes of one scan run along each other for a diameter, or half of the shorter one.

    A break on the way hinders nothing: both halves are the tube whose spine runs through them.
    """
    enough = min(2.0 * min(one.radius_mm, other.radius_mm), 0.5 * min(length_of(one), length_of(other)))
    return max(_shared_mm(one, other), _shared_mm(other, one)) >= enough


def _shared_mm(one: TubePoints, other: TubePoints) -> float:
    """Length of one tube that lies along the spine of another."""
    stations = np.linspace(*one.flank_mm, num=max(8, int(length_of(one) / 2.0)))
    u, _, off = other.spine.locate(one.spine.points(stations))
    within = (u >= other.flank_mm[0]) & (u <= other.flank_mm[1]) & (off < 0.5 * other.radius_mm)
    return float(within.mean()) * length_of(one)


def _everywhere(search: Search, apart_from: TubePoints | None, progress: Progress) -> list[TubePoints]:
    """All tubes, in the order in which they are come upon; of the same one, the longest piece."""
    places = search.places()
    if apart_from is not None:
        places.leave_out(apart_from)
    found: list[TubePoints] = []
    for place in places:
        tube = search.tube_at(place)
        if tube is not None:
            same = [old for old in found if same_tube(old, tube)]
            found = [old for old in found if not any(old is one for one in same)]
            found.append(max([*same, tube], key=length_of))
            places.leave_out(tube)
        progress("tube", places.done)
    return [tube for tube in found if apart_from is None or not same_tube(tube, apart_from)]


def _at_place(search: Search, place: Floats, apart_from: TubePoints | None, progress: Progress) -> TubePoints:
    """The tube at a place, found from the scan points nearest to it."""
    told = f"({place[0]:.1f}, {place[1]:.1f}, {place[2]:.1f} mm)"
    for point in search.around(place):
        progress("tube", 0.3)
        tube = search.tube_at(point)
        if tube is None or not _holds(tube, place):
            continue
        if apart_from is not None and same_tube(tube, apart_from):
            raise InputError(
                f"the tube at {told} is the broken one itself: "
                "give a point on the tube that the shape is to be taken from"
            )
        return tube
    raise InputError(
        f"no tube was found in the donor's scan at {told}: "
        "give a point on the surface of its intact tube, in that scan's own frame and unit"
    )


def _holds(tube: TubePoints, place: Floats) -> bool:
    """Whether a place lies on a tube or within about a radius of its centreline."""
    u, _, off = (float(value[0]) for value in tube.spine.locate(place[None, :]))
    largest = float(np.quantile(tube.spine.locate(tube.points_mm[::10])[2], 0.99))
    low, high = tube.flank_mm
    return low - tube.radius_mm < u < high + tube.radius_mm and off < 1.15 * largest
