"""Tables of a job file that are about the workshop: layers, wall, bed, plies, reach and frame."""

from collections.abc import Sequence
from typing import Literal, cast

import numpy as np

from gaploft.errors import InputError
from gaploft.job import (
    BedSettings,
    FrameSettings,
    Layers,
    Ply,
    ReachSettings,
    Reading,
    Thickness,
    WallSettings,
    largest,
)
from gaploft.job_values import Table, is_number, is_row, millimetres, one_of, points, positive, text

#: Fibre density of any cloth lies below this, g/cm3: a larger figure was given in kg/m3.
_HEAVIEST = 10.0


def thickness(table: Table, key: str, where: str, usual: Thickness, mm_per_unit: float) -> Thickness:
    """A number of mm, or readings: [station, angle, mm], or [x, y, z, mm] with a place in the scan's unit."""
    value = table.get(key, usual)
    if not isinstance(value, list):
        return usual if key not in table else millimetres(table, key, where, 0.0)
    if not value or not all(is_row(row, 3, 4) for row in value):
        raise InputError(
            f"{key} in {where} must be a number of millimetres, or readings [station, angle, mm] or "
            "[x, y, z, mm] in a list"
        )
    for row in value:
        if row[-1] < 0.0:
            raise InputError(f"a reading of {key} in {where} is {row[-1]} mm, but must be 0 mm or more")
    return tuple(_reading([float(number) for number in row], mm_per_unit) for row in value)


def _reading(row: Sequence[float], mm_per_unit: float) -> Reading:
    if len(row) == 3:
        return Reading(row[2], station_mm=row[0], angle_deg=row[1])
    x, y, z = (mm_per_unit * number for number in row[:3])
    return Reading(row[3], point_mm=(x, y, z))


def layers(table: Table, where: str, mm_per_unit: float) -> Layers:
    """What lies, and will lie, over the machined surface."""
    found = {name: thickness(table, name, where, 0.0, mm_per_unit) for name in Layers().table}
    outside = one_of(table, "outside", where, "same", ("same", "blend", "step"))
    tight = one_of(table, "tight", where, "refuse", ("refuse", "trim"))
    return Layers(
        found["paint"],
        found["filler"],
        found["cover"],
        found["other"],
        cast(Literal["same", "blend", "step"], outside),
        cast(Literal["refuse", "trim"], tight),
    )


def wall(table: Table | None, where: str, mm_per_unit: float) -> WallSettings | None:
    """Thickness of the intact laminate."""
    if table is None:
        return None
    if "thickness" not in table:
        raise InputError(f"{where} lacks thickness: add it, in mm, or readings of it")
    found = thickness(table, "thickness", where, 0.0, mm_per_unit)
    if largest(found) <= 0.0 or (isinstance(found, tuple) and min(r.value_mm for r in found) <= 0.0):
        raise InputError(f"thickness in {where} is 0 mm, but a wall is thicker than that: measure it")
    share = positive(table, "share", where, "a share of the wall", most=1.0)
    return WallSettings(found, WallSettings(found).share if share is None else share)


def bed(table: Table | None, plies: Sequence[Ply], where: str) -> BedSettings | None:
    """The surface to be ground before the lay-up."""
    if table is None:
        return None
    ratio = positive(table, "ratio", where, "length over depth, such as 30,")
    step = positive(table, "step", where, "a number of millimetres")
    if (ratio is None) == (step is None):
        raise InputError(
            f"{where} needs either ratio, such as 30, or step, in mm for each ply: give one of them"
        )
    if step is not None and not plies:
        raise InputError(
            f"step in {where} is the length of a step for each ply: add a [[ply]] for each cloth"
        )
    return BedSettings(
        ratio,
        step,
        millimetres(table, "cut_back", where, 0.0),
        tuple(plies),
        millimetres(table, "lap", where, 0.0),
    )


def plies(tables: object, file: str) -> tuple[Ply, ...]:
    """The cloths of the lay-up, from the inside out."""
    if not isinstance(tables, list):
        raise InputError(f"ply in {file} must be a list of tables: write [[ply]] over each of them")
    return tuple(_ply(table, f"[[ply]] {number} of {file}") for number, table in enumerate(tables, start=1))


def _ply(table: Table, where: str) -> Ply:
    count = table.get("count", 1)
    if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= 100:
        raise InputError(f"count in {where} is {count!r}, but must be a whole number from 1 to 100")
    angle = table.get("angle", 0.0)
    if not is_number(angle):
        raise InputError(f"angle in {where} is {angle!r}, but must be a number of degrees")
    measured = positive(table, "thickness", where, "a number of millimetres")
    weight = positive(table, "weight", where, "grams of dry fibre per square metre")
    density = positive(table, "density", where, "grams of fibre per cubic centimetre", most=_HEAVIEST)
    fraction = positive(table, "fraction", where, "a share of the volume", most=1.0)
    if measured is None and None in (weight, density, fraction):
        raise InputError(
            f"{where} needs weight, density and fraction to know its cured thickness: give all three, or the "
            "measured thickness"
        )
    name = text(table, "name", where) if "name" in table else "cloth"
    return Ply(name, count, weight, density, fraction, measured, float(angle))


def reach(table: Table | None, where: str) -> ReachSettings | None:
    """The tool that is to follow the target."""
    if table is None:
        return None
    radius = positive(table, "tool_radius", where, "a number of millimetres")
    if radius is None:
        raise InputError(f"{where} lacks tool_radius: add the radius of the ball end, in mm")
    return ReachSettings(radius)


def frame(table: Table | None, where: str, mm_per_unit: float) -> FrameSettings | None:
    """The frame of the machine; places in the scan are in its unit, all that is the machine's in mm."""
    if table is None:
        return None
    three = points(table, "points", where, at_least=3)
    spheres = points(table, "spheres", where, at_least=3)
    at = points(table, "at", where, at_least=3)
    if (three is None) == (spheres is None):
        raise InputError(f"{where} needs either points or spheres: give one of them")
    if three is not None and len(three) != 3:
        raise InputError(f"points in {where} are {len(three)}, but must be three: origin, x axis, y side")
    radius = positive(table, "radius", where, "a number of millimetres")
    if spheres is None and (at is not None or radius is not None):
        raise InputError(
            f"radius and at in {where} are of spheres, and none are given: add spheres, or remove them"
        )
    if spheres is not None and at is not None and len(at) != len(spheres):
        raise InputError(
            f"{where} has {len(spheres)} spheres and {len(at)} places in at: give a place for each sphere"
        )
    in_mm = [None if places is None else mm_per_unit * places for places in (three, spheres)]
    return FrameSettings(in_mm[0], in_mm[1], radius, None if at is None else np.asarray(at))
