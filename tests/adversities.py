"""What a workshop's scans suffer from, one at a time and together: arguments for ``broken_tube``.

``broken_tube("oval", 40.0, seed=1, variant=3, **ADVERSITIES["strip_60"])`` makes one case. All but
the cases about noise, triangles and rims differ from ``plain`` in the one thing that they are named after.
"""

from typing import Any

_PLAIN: dict[str, Any] = {
    "noise_mm": 0.02,
    "correlation_mm": 2.0,
    "edge_mm": 0.6,
    "rim": "mixed",
    "rim_mm": 5.0,
    "rim_depth_mm": 0.6,
}
_CLUTTER: dict[str, Any] = {"sticker_mm": 0.1, "stickers": 3, "cable_stops": 2}

#: What one scan can have at once, whatever its flanks end in.
_AT_ONCE: dict[str, Any] = {
    "noise_mm": 0.04,
    "correlation_mm": 3.0,
    "rim": "torn",
    "rim_mm": 8.0,
    "rim_depth_mm": 0.8,
    "strip_deg": 60.0,
    "holes": 6,
    "clumps": 4,
    **_CLUTTER,
}

#: Name -> what it changes against ``plain``. Lengths in mm, angles in degrees.
_CHANGES: dict[str, dict[str, Any]] = {
    "plain": {},
    "noise_0.04": {"noise_mm": 0.04},
    "correlated_1": {"correlation_mm": 1.0},
    "correlated_3": {"correlation_mm": 3.0},
    "noise_0.04_correlated_3": {"noise_mm": 0.04, "correlation_mm": 3.0},
    "rim_clean": {"rim": "clean"},
    "rim_crushed_8": {"rim": "crushed", "rim_mm": 8.0, "rim_depth_mm": 1.2},
    "rim_bulged_3": {"rim": "bulged", "rim_mm": 3.0},
    "rim_lifted_6": {"rim": "lifted", "rim_mm": 6.0, "rim_depth_mm": 0.8},
    "strip_40": {"strip_deg": 40.0},
    "strip_60": {"strip_deg": 60.0},
    "strip_90": {"strip_deg": 90.0},
    "holes": {"holes": 8, "hole_mm": 7.0},
    "stickers": {"sticker_mm": 0.1, "stickers": 3},
    "cable_stops": {"cable_stops": 4},
    "clumps": {"clumps": 6},
    "short_flank": {"flanks_mm": (110.0, 37.0)},
    "junction": {"junction_mm": 70.0},
    "halves_moved": {"offset_mm": 0.5, "angle_deg": 0.5},
    "fine_0.2": {"edge_mm": 0.2},
    "coarse_1.5": {"edge_mm": 1.5},
    "half_round": {"half_round_deg": 180.0},
    # What one scan can have at once. A flank that ends in a junction is not also cut short, a tube
    # broken on one side has no halves, and there is but one size of triangles.
    "together": {**_AT_ONCE, "junction_mm": 70.0},
    # The same on a tube whose other flank is cut short instead of ending in a junction.
    "together_short": {**_AT_ONCE, "flanks_mm": (110.0, 37.0)},
}

ADVERSITIES: dict[str, dict[str, Any]] = {name: _PLAIN | changes for name, changes in _CHANGES.items()}
