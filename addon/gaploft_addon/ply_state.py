"""Plies of one cloth, as they will be laid into the bed."""

import bpy
from bpy.props import FloatProperty, IntProperty, StringProperty

from .live import part_changed

#: What a person sets for each cloth.
OF_PLY = ("name", "count", "areal_weight", "density", "fraction", "thickness_mm", "angle_deg")


class GAPLOFT_PG_ply(bpy.types.PropertyGroup):
    """Plies of one cloth, from the inside out"""

    name: StringProperty(
        name="Cloth",
        description="Name of the cloth on patterns and lists",
        default="cloth",
        update=part_changed,
    )
    count: IntProperty(
        name="Plies",
        description="How many plies of this cloth lie on each other",
        default=1,
        min=1,
        max=100,
        update=part_changed,
    )
    areal_weight: FloatProperty(
        name="Dry Fibre (g/m²)",
        description="Weight of the dry fibre of one ply, in grams per square metre, from its data sheet",
        min=0.0,
        max=5000.0,
        precision=0,
        update=part_changed,
    )
    density: FloatProperty(
        name="Fibre (g/cm³)",
        description="Density of the fibre itself, in grams per cubic centimetre, from its data sheet",
        min=0.0,
        max=10.0,
        precision=2,
        step=1,
        update=part_changed,
    )
    fraction: FloatProperty(
        name="Fibre Share",
        description="Share of the fibre in the volume of the cured laminate, 0 to 1: it depends on how the "
        "laminate is made",
        min=0.0,
        max=1.0,
        precision=2,
        step=1,
        update=part_changed,
    )
    thickness_mm: FloatProperty(
        name="Measured (mm)",
        description="Thickness of one cured ply in millimetres where it was measured; 0 has it computed from "
        "weight, density and share",
        min=0.0,
        max=10.0,
        precision=3,
        step=1,
        update=part_changed,
    )
    angle_deg: FloatProperty(
        name="Warp (°)",
        description="Angle of the warp against the tube, in degrees",
        min=-180.0,
        max=180.0,
        precision=0,
        step=100,
        update=part_changed,
    )


CLASSES = (GAPLOFT_PG_ply,)
