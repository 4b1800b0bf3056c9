"""Walls and beds on tubes that are formulas."""

from types import SimpleNamespace

import numpy as np

from gaploft.job import Layers, WallSettings
from gaploft.laminate.bed import make_bed
from gaploft.laminate.wall import make_wall
from gaploft.target.places import Places
from gaploft.target.readings import thickness_over
from laid_layers import cut, fit_of, laid


def trusted_fit(surface, *, gap, patch=None, margin=2.0, end=5.0):
    """Stand-in for a fit whose scan is trusted up to ``end`` mm from the ends of its surface."""
    fit = fit_of(surface, gap=gap, patch=patch, margin=margin)
    first, last = surface.range_u
    fit.flanks_mm = (fit.rebuilt_mm[0] - first - end, last - end - fit.rebuilt_mm[1])
    return fit


def walled(fit, thickness=1.0, *, share=0.3, overlap=12.0, chord=0.005, layers=None, **table):
    """Layers, places and wall of a stand-in fit."""
    over = laid(fit, layers or Layers(**table), overlap)
    places = Places(fit.surface, fit.outline.gap_mm[0])
    target = cut(fit, over, overlap=overlap, chord=chord)
    wall = make_wall(fit, target, WallSettings(thickness, share), over, places, chord_tolerance_mm=chord)
    return over, places, target, wall


def bedded(fit, settings, thickness=1.0, *, paint_mm=0.0, overlap=12.0):
    """The bed of a stand-in fit, under paint and over the target's overlap."""
    places = Places(fit.surface, fit.outline.gap_mm[0])
    wall = SimpleNamespace(
        over=thickness_over(thickness, places, of="wall"),
        stations_mm=(fit.rebuilt_mm[0] - overlap, fit.rebuilt_mm[1] + overlap),
    )
    paint = SimpleNamespace(coats=thickness_over(paint_mm, places, of="paint"))
    return make_bed(fit, settings, paint, wall, places)


def even_disc(radius, spacing):
    """Points (x, y) on rings about the origin, the outermost exactly at the radius, ``spacing`` apart."""
    rings = [np.zeros((1, 2))]
    for r in np.linspace(radius, 0.0, int(np.ceil(radius / spacing)), endpoint=False):
        turn = np.linspace(0.0, 2 * np.pi, max(6, int(np.ceil(2 * np.pi * r / spacing))), endpoint=False)
        rings.append(r * np.column_stack([np.cos(turn), np.sin(turn)]))
    return np.concatenate(rings)
