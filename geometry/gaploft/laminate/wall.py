"""The wall under a target: inner surface, what is left once the target is cut, the missing section."""

import numpy as np
from numpy.typing import NDArray

from gaploft.errors import InputError
from gaploft.evidence.trusted_fit import TubeFit
from gaploft.job import WallSettings
from gaploft.laminate.model import LayersOver, Place, SectionSummary, Wall, WallSummary
from gaploft.laminate.solid import Skin, closed_shell, make_sleeve
from gaploft.scan.model import Note
from gaploft.surface.model import TubeSurface
from gaploft.target.field import grid_over
from gaploft.target.fold import room_below
from gaploft.target.model import Target
from gaploft.target.offset import Below
from gaploft.target.places import Places, whole_degrees
from gaploft.target.readings import Over, thickness_over

Floats = NDArray[np.float64]

_FINE_U, _FINE_V = 40, 480


def make_wall(
    fit: TubeFit,
    target: Target,
    settings: WallSettings,
    layers: LayersOver,
    places: Places,
    *,
    chord_tolerance_mm: float = 0.005,
) -> Wall:
    """The laminate's wall under a target, its inner surface, and the solid of the missing section.

    Parameters
    ----------
    fit : the fitted tube
    target : with the parameters of its vertices
    layers : what lies over the laminate and over the target, as functions of (u, v)
    places : stations and angles of the tube

    Returns
    -------
    Wall
        Its section is the bare laminate between the rebuilt stations, all the way round even where only one
        side is damaged: as a check piece it then seats itself.

    Raises
    ------
    InputError
        A reading lies outside the tube, nothing would be left of the wall under the target, or the wall is
        thicker than the tube's tightest radius.
    ValueError
        The target has no parameters.
    """
    if target.uv is None:
        raise ValueError("a wall needs the parameters of the target's vertices")
    u, v = target.uv.T
    over = thickness_over(settings.thickness_mm, places, of="wall")
    thickness = over(u, v)
    # Where layers run out, the target rises into the coats and takes nothing of the laminate.
    taken = np.maximum(target.depth_mm - layers.coats(u, v), 0.0)
    share = taken / thickness
    _check_left(thickness, taken, target, places)
    stations = float(u.min()), float(u.max())

    def inside(u: Floats, v: Floats) -> Floats:
        return layers.coats(u, v) + over(u, v)

    check_folds(fit.surface, stations, inside, places)
    within = Below(fit.surface, inside)
    sleeve = make_sleeve((within,), stations, chord_tolerance_mm=chord_tolerance_mm)
    inner = Skin(within.points(*sleeve.uv.T), sleeve.triangles)
    section, numbers = _section(fit, Below(fit.surface, layers.coats), within, chord_tolerance_mm)
    least = int((thickness - taken).argmin())
    summary = WallSummary(
        float(thickness.min()),
        float(thickness.max()),
        _source(settings),
        settings.share,
        float(share.max()),
        float(thickness[least] - taken[least]),
        _place(least, target, places),
        float((target.band95_mm / thickness).max()),
        numbers,
    )
    notes = _notes(thickness, taken, target, places, settings.share)
    return Wall(over, thickness, thickness - taken, share, stations, inner, section, summary, notes)


def check_folds(surface: TubeSurface, stations: tuple[float, float], inside: Over, places: Places) -> None:
    """Refuse a wall that a surface has no room for: its inner surface would fold, or meet itself.

    Parameters
    ----------
    inside : depth of the inner surface below the outer one as a function of (u, v), mm

    Raises
    ------
    InputError
        The sentence says where, and how tight it is.
    """
    rings, around = grid_over(stations, (_FINE_U, _FINE_V))
    u, v = (part.ravel() for part in np.broadcast_arrays(rings, around))
    depth = inside(u, v)
    room = room_below(surface, u, v, most_mm=1.02 * float(depth.max()))
    worst = int((room.radius_mm - depth).argmin())
    radius = room.radius_mm[worst]
    if depth[worst] >= radius:
        tight = f"bends with a radius of {radius:.2f} mm"
        thin = f"is only {2.0 * radius:.2f} mm thick"
        raise InputError(
            f"wall and paint are {depth[worst]:.2f} mm thick {_at(u[worst], v[worst], places=places)}, where "
            f"the tube {tight if room.bends[worst] else thin}: no inner surface fits in there, give a "
            "thinner wall"
        )


def _at(u: float, v: float, *, places: Places) -> str:
    station, angle = places.named(np.array([u]), np.array([v]))
    return f"at station {station[0]:.1f} mm and angle {whole_degrees(angle[0])} degrees"


def _check_left(thickness: Floats, taken: Floats, target: Target, places: Places) -> None:
    assert target.uv is not None
    worst = int((thickness - taken).argmin())
    if thickness[worst] <= taken[worst]:
        raise InputError(
            f"cover and other plies take {taken[worst]:.2f} mm out of a wall of {thickness[worst]:.2f} mm "
            f"{_at(*target.uv[worst].tolist(), places=places)}, so nothing is left of it: give thinner layers"
        )


def _place(index: int, target: Target, places: Places) -> Place:
    assert target.uv is not None
    u, v = target.uv[index : index + 1].T
    station, angle = places.named(u, v)
    x, y, z = (float(part) for part in target.vertices_mm[index])
    return Place(float(station[0]), float(angle[0]), (x, y, z))


def _source(settings: WallSettings) -> str:
    found = settings.thickness_mm
    if not isinstance(found, tuple):
        return "typed"
    return f"{len(found)} reading{'s' if len(found) > 1 else ''}"


def _section(
    fit: TubeFit, bare: Below, within: Below, chord_tolerance_mm: float
) -> tuple[Skin, SectionSummary]:
    """The solid of the missing section."""
    sleeve = make_sleeve((bare, within), fit.rebuilt_mm, chord_tolerance_mm=chord_tolerance_mm)
    outer, inner = (skin.points(*sleeve.uv.T) for skin in (bare, within))
    solid = closed_shell(outer, inner, sleeve, fit.surface.outward)
    outside, inside = (float(Skin(skin, sleeve.triangles).areas_mm2.sum()) for skin in (outer, inner))
    length = fit.rebuilt_mm[1] - fit.rebuilt_mm[0]
    return solid, SectionSummary(length, solid.volume_mm3, outside, inside, solid.watertight)


def _notes(
    thickness: Floats, taken: Floats, target: Target, places: Places, allowed: float
) -> tuple[Note, ...]:
    """Warnings where layers or band eat more of the wall than was allowed."""
    assert target.uv is not None
    notes = []
    for code, what, eaten, help_ in (
        ("wall_share", "cover and other plies take", taken, "give thinner layers, or check the wall"),
        ("wall_band", "the 95 % band is", target.band95_mm, "the rebuilt surface is that uncertain there"),
    ):
        worst = int((eaten / thickness).argmax())
        if eaten[worst] > allowed * thickness[worst]:
            notes.append(
                Note(
                    code,
                    f"{what} {eaten[worst]:.2f} mm of a wall of {thickness[worst]:.2f} mm "
                    f"{_at(*target.uv[worst].tolist(), places=places)}, "
                    f"{eaten[worst] / thickness[worst]:.0%} of it where {allowed:.0%} are allowed: {help_}",
                )
            )
    return tuple(notes)
