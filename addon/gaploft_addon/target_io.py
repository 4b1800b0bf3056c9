"""The target of a damage as it is now, with changes by hand, as the library takes it."""

import json

import numpy as np

from gaploft.target.model import Target
from gaploft.target.moved import moved_target

from . import ops_recheck


def target_of(damage):
    """Surface arrays, changes by hand, the report that tells of them, and the target. Raises InputError."""
    surface, changes = ops_recheck.measure(damage)
    report = ops_recheck.with_hand(json.loads(damage.report), changes)
    computed = Target(
        vertices_mm=surface.computed_mm,
        normals=surface.normals,
        band95_mm=surface.band95_mm,
        zone=surface.zone.astype(np.uint8),
        quads=surface.quads,
        triangles=surface.triangles,
        shape=surface.shape,
        chord_error_mm=report["target"]["chord_error_mm"],
        depth_mm=surface.depth_mm,
        origin=surface.origin,
    )
    target = moved_target(computed, surface.current_mm) if changes.changed else computed
    return surface, changes, report, target
