"""Layers, wall, bed, plies and tool of a damage, as the library takes them."""

import zlib

from gaploft.errors import InputError
from gaploft.job import BedSettings, Layers, Ply, ReachSettings, Reading, Thickness, WallSettings

from . import mesh_io

#: What comes behind the settings of earlier releases where nothing of the workshop is asked for.
NOTHING = (0.0,) * 11
OUTSIDE, TIGHT = ("same", "blend", "step"), ("refuse", "trim")


def plain(value):
    """A setting as typed: 0.005 and not its neighbour in single precision."""
    return float(f"{value:.6g}")


def thickness(scene, damage, kind, typed_mm) -> Thickness:
    """What was typed, or the readings where there are any of that kind."""
    mm = mesh_io.unit_of(scene)[1]
    readings = tuple(
        Reading(plain(reading.value_mm), point_mm=tuple(mm * float(x) for x in reading.place))
        for reading in damage.shop.read_of(kind)
    )
    return readings or plain(typed_mm)


def layers_of(scene, damage):
    """What lies, and will lie, over the machined surface."""
    paint, filler, cover, other = (
        thickness(scene, damage, kind, typed)
        for kind, typed in (
            ("PAINT", damage.paint_mm),
            ("FILLER", damage.filler_mm),
            ("COVER", damage.cover_mm),
            ("OTHER", damage.other_mm),
        )
    )
    return Layers(paint, filler, cover, other, damage.outside.lower(), damage.tight.lower())


def wall_of(scene, damage):
    """The wall, or None where it is not asked for. Raises InputError."""
    shop = damage.shop
    if not shop.wall_on:
        return None
    wall = thickness(scene, damage, "WALL", shop.wall_mm)
    thinnest = min(r.value_mm for r in wall) if isinstance(wall, tuple) else wall
    if thinnest <= 0.0:
        raise InputError(
            "the wall is 0 mm thick, but a laminate is thicker than that: type its thickness or take readings"
        )
    return WallSettings(wall, plain(shop.wall_share))


def bed_of(damage):
    """The bed with its plies, or None where it is not asked for. Raises InputError."""
    shop = damage.shop
    if not shop.bed_on:
        return None
    if not shop.wall_on:
        raise InputError("a bed reaches down to the inner surface: switch the wall on and give its thickness")
    plies = tuple(_ply(ply) for ply in shop.plies)
    steps = shop.bed_kind == "STEPS"
    if steps and not plies:
        raise InputError(
            "a bed in steps has one for each ply, and there are none: add the plies to its table"
        )
    return BedSettings(
        None if steps else plain(shop.bed_ratio),
        plain(shop.bed_step_mm) if steps else None,
        plain(shop.cut_back_mm),
        plies,
        plain(shop.lap_mm),
    )


def _ply(ply):
    weight, density, fraction, measured = (
        plain(value) or None for value in (ply.areal_weight, ply.density, ply.fraction, ply.thickness_mm)
    )
    if measured is None and None in (weight, density, fraction):
        raise InputError(
            f"the cured thickness of '{ply.name}' is not known: give weight, density and share of its fibre, "
            "or a measured thickness"
        )
    return Ply(ply.name, ply.count, weight, density, fraction, measured, plain(ply.angle_deg))


def reach_of(damage):
    """The tool, or None where it is not asked for."""
    shop = damage.shop
    return ReachSettings(plain(shop.tool_radius_mm)) if shop.reach_on else None


def shop_key(job):
    """All of this in a job as numbers, to tell whether it changed; `NOTHING` where nothing is asked for."""
    layers = job.layers
    return [
        *_thickness_key(layers.paint_mm)[1:],
        *_thickness_key(layers.cover_mm)[1:],
        *_thickness_key(layers.filler_mm),
        *_thickness_key(layers.other_mm),
        OUTSIDE.index(layers.outside),
        TIGHT.index(layers.tight),
        *_wall_key(job.wall),
        *_bed_key(job.bed),
        0.0 if job.reach is None else job.reach.tool_radius_mm,
        *(() if job.zero_mm is None else job.zero_mm),
    ]


def _thickness_key(thickness):
    """A thickness as typed or 0, how many readings there are, and these."""
    if not isinstance(thickness, tuple):
        return [thickness, 0.0]
    places = [number for r in thickness for number in (r.value_mm, *r.point_mm)]
    return [0.0, len(thickness), *places]


def _wall_key(wall):
    return [0.0] if wall is None else [1.0, *_thickness_key(wall.thickness_mm), wall.share]


def _bed_key(bed):
    if bed is None:
        return [0.0]
    key = [1.0, bed.ratio or 0.0, bed.step_mm or 0.0, bed.cut_back_mm, bed.lap_mm]
    for ply in bed.plies:
        numbers = (ply.count, ply.areal_weight_g_m2, ply.fibre_density_g_cm3, ply.fraction, ply.thickness_mm)
        key += [zlib.crc32(ply.name.encode()), *(number or 0.0 for number in numbers), ply.angle_deg]
    return key
