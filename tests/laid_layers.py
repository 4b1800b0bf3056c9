"""A fitted tube as far as layers ask for it, and targets cut from tubes that are formulas."""

from types import SimpleNamespace

import numpy as np
from scipy.spatial import KDTree

from gaploft.job import Layers
from gaploft.target.facets import cut_target
from gaploft.target.layers import LayerMap, LayersSummary, layers_over
from gaploft.target.places import Places
from gaploft.tube.outline import Outline

RADIUS = 16.0


def fit_of(surface, *, gap=(40.0, 60.0), margin=2.0, patch=None):
    """Stand-in for a fit: ring damage, or a patch of places (u, v) between the stations of the gap."""
    tree = None
    if patch is not None:
        turn = 2 * np.pi * RADIUS
        unrolled = [np.column_stack([patch[:, 0], RADIUS * patch[:, 1] + k * turn]) for k in (-1, 0, 1)]
        tree = KDTree(np.concatenate(unrolled))
    margins = (margin,) if tree else (margin, margin)
    return SimpleNamespace(
        surface=surface,
        outline=Outline(gap, RADIUS, tree),
        margins_mm=margins,
        rebuilt_mm=(gap[0] - margin, gap[1] + margin),
        radius_mm=RADIUS,
    )


def round_patch(u0=50.0, v0=1.0, radius=8.0):
    """Damaged points on a disc of the unrolled tube, 0.4 mm apart, and closer along its edge."""
    x, y = np.meshgrid(np.arange(-radius, radius + 0.1, 0.4), np.arange(-radius, radius + 0.1, 0.4))
    inside = np.hypot(x, y) < radius
    turn = np.arange(360) * (2 * np.pi / 360)
    x = np.concatenate([x[inside], radius * np.cos(turn)])
    y = np.concatenate([y[inside], radius * np.sin(turn)])
    return np.column_stack([u0 + x, v0 + y / RADIUS])


def laid(fit, layers=None, overlap=12.0, **table):
    """Layers over a stand-in fit, counted from the gap's start."""
    places = Places(fit.surface, fit.outline.gap_mm[0])
    return layers_over(fit, layers or Layers(**table), places, overlap_mm=overlap)


def cut(fit, layers, *, overlap=12.0, chord=0.005):
    """The target of a stand-in fit."""
    return cut_target(
        fit.surface,
        fit.rebuilt_mm,
        overlap_mm=overlap,
        chord_tolerance_mm=chord,
        layers=layers,
        band=lambda u, v: np.full(np.shape(u), 0.01),
        zone=lambda u, v: np.where(layers.from_rim(u, v) < -1e-6, 1.0, 0.0),
    )


def depth_map(depth, *, even=False):
    """A depth that is any function of (u, v), as layers."""
    return LayerMap(
        coats=lambda u, v: 0.0 * depth(u, v),
        to_come=depth,
        within=depth,
        depth=depth,
        from_rim=lambda u, v: -np.ones(np.broadcast_shapes(np.shape(u), np.shape(v))),
        outside="same",
        all_round=True,
        even=even,
        shortened=lambda u, v: np.zeros(np.broadcast_shapes(np.shape(u), np.shape(v)), dtype=bool),
        summary=LayersSummary([], "same", 0.0, 0.0, 0.0),
    )
