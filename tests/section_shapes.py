"""Closed tube sections as points even in arc length, for the CAD kernel to loft through."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def ellipse(half_x_mm: float, half_y_mm: float, n: int) -> Floats:
    return superellipse(half_x_mm, half_y_mm, 2.0, n)


def superellipse(half_x_mm: float, half_y_mm: float, exponent: float, n: int) -> Floats:
    turn = np.linspace(0.0, 2 * np.pi, 4001)
    cosine, sine = np.cos(turn), np.sin(turn)
    # a polar form spreads the points; the Cartesian power form piles them up at the corners
    radius = (np.abs(cosine / half_x_mm) ** exponent + np.abs(sine / half_y_mm) ** exponent) ** (
        -1.0 / exponent
    )
    return even(np.stack([radius * cosine, radius * sine], axis=1), n)


def d_section(radius_mm: float, back_mm: float, corner_mm: float, n: int) -> Floats:
    """A circle cut flat ``back_mm`` behind its centre, corners rounded."""
    core, cut = radius_mm - corner_mm, back_mm - corner_mm
    half = np.arccos(-cut / core)
    turn = np.linspace(-half, half, 600)
    return even(rounded(core * np.stack([np.cos(turn), np.sin(turn)], axis=1), corner_mm), n)


def cut_aerofoil(chord_mm: float, width_mm: float, edge_radius_mm: float, n: int) -> Floats:
    """Elliptical nose, straight flanks to a narrower tail cut off square, tail edges rounded."""
    core_half = 0.5 * width_mm - edge_radius_mm
    tail_half = 0.72 * core_half
    nose = 0.45 * chord_mm - edge_radius_mm
    turn = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 400)
    front = np.stack([nose * np.cos(turn), core_half * np.sin(turn)], axis=1)
    tail_x = -(0.55 * chord_mm - edge_radius_mm)
    tail = np.array([[tail_x, tail_half], [tail_x, -tail_half]])
    return even(rounded(np.concatenate([front, tail]), edge_radius_mm), n)


def rounded(core: Floats, radius_mm: float) -> Floats:
    """A convex polygon, anticlockwise, grown by a disc: every edge moved out, every corner an arc."""
    edge = np.roll(core, -1, axis=0) - core
    normal_angle = np.arctan2(-edge[:, 0], edge[:, 1])
    before = np.roll(normal_angle, 1)
    turn = (normal_angle - before) % (2 * np.pi)
    share = np.linspace(0.0, 1.0, 40)
    angle = before[:, None] + share * turn[:, None]
    arcs = core[:, None, :] + radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    outline = arcs.reshape(-1, 2)
    first = int(np.argmin(np.abs(np.arctan2(outline[:, 1], outline[:, 0]))))
    outline = np.roll(outline, -first, axis=0)
    return np.concatenate([outline, outline[:1]])


def even(outline: Floats, n: int) -> Floats:
    """``n`` points even in arc length along a closed outline, the last not repeating the first."""
    step = np.linalg.norm(np.diff(outline, axis=0), axis=1)
    arc = np.concatenate([[0.0], np.cumsum(step)])
    wanted = np.linspace(0.0, arc[-1], n, endpoint=False)
    return np.stack([np.interp(wanted, arc, outline[:, axis]) for axis in range(2)], axis=1)


def twisted(section: Floats, angle_rad: float) -> Floats:
    cosine, sine = np.cos(angle_rad), np.sin(angle_rad)
    return section @ np.array([[cosine, sine], [-sine, cosine]])
