"""Thickness of plies once they are cured."""

from gaploft.job import Ply


def cured_thickness_mm(ply: Ply) -> float:
    """Thickness of one ply: measured, or from its fibre's weight and the share of fibre in the laminate.

    A laminate of n plies of areal weight A has the fibre volume fraction n A / (density x thickness), hence
    A / (density x fraction) for each; the rule stands in lecture notes and guides on composites.

    Raises
    ------
    ValueError
        Neither a measured thickness nor all three of weight, density and fraction are given.
    """
    if ply.thickness_mm is not None:
        return ply.thickness_mm
    if ply.areal_weight_g_m2 is None or ply.fibre_density_g_cm3 is None or ply.fraction is None:
        raise ValueError(f"ply {ply.name!r} has no measured thickness, and lacks what one is computed from")
    return ply.areal_weight_g_m2 / (1000.0 * ply.fibre_density_g_cm3 * ply.fraction)
