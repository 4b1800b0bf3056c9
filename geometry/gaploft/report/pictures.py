"""Pictures for the report, as PNG bytes. Without matplotlib there are none."""

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.target.model import Target

_DPI = 110
#: The unrolled target is drawn from no more rings and lines than a picture this small can show. More would
#: only keep Blender's window waiting: the library that draws lets nothing else run while it fills triangles.
_MOST_RINGS, _MOST_LINES = 300, 200


@dataclass(frozen=True)
class Picture:
    """One picture and what it shows."""

    png: bytes
    caption: str


def draw_pictures(target: Target) -> tuple[Picture, ...]:
    """Draw the band over the unrolled target, and three of its sections; empty without matplotlib."""
    try:
        from matplotlib.figure import Figure
    except ImportError:
        return ()
    return (_draw_band(target, Figure), _draw_sections(target, Figure))


def _draw_band(target: Target, figure_class: Any) -> Picture:
    """Band in cividis, which reads the same with any colour vision (Nunez et al., PLoS ONE 13(7), 2018)."""
    along, around, band = _unrolled(target, target.band95_mm)
    zone = _unrolled(target, target.zone.astype(np.float64))[2]
    figure = figure_class(figsize=(7.5, 3.6), dpi=_DPI, layout="constrained")
    axes = figure.subplots()
    top = max(float(target.band95_mm.max()), 1e-6)
    image = axes.pcolormesh(along, around, band.T, cmap="cividis", vmin=0.0, vmax=top, shading="gouraud")
    if zone.min() < 0.5 < zone.max():
        axes.contour(along, around, zone.T, levels=[0.5], colors="white", linewidths=1.2, linestyles="dashed")
    if np.ptp(band) > 1e-3 * top:
        lines = axes.contour(along, around, band.T, levels=5, colors="white", linewidths=0.5)
        for label in axes.clabel(lines, fmt="%.3f", fontsize=7, colors="black"):
            label.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 1.0})
    axes.set_xlabel("along the tube, mm")
    axes.set_ylabel("around the tube, degrees from its first line")
    axes.set_yticks([0, 90, 180, 270, 360])
    figure.colorbar(image, ax=axes, label="± mm")
    caption = (
        "Half width of the 95 % band over the unrolled target, in mm. "
        "The dashed line parts the rebuilt zone from the intact overlap."
    )
    return Picture(_png(figure), caption)


def _draw_sections(target: Target, figure_class: Any) -> Picture:
    """First, middle and last ring, each in its own plane and all at one scale."""
    rings = target.vertices_mm.reshape(*target.shape, 3)
    figure = figure_class(figsize=(7.5, 3.0), dpi=_DPI, layout="constrained")
    panels = figure.subplots(1, 3, sharex=True, sharey=True)
    along = _stations(target)
    for axes, row in zip(panels, (0, target.shape[0] // 2, target.shape[0] - 1), strict=True):
        outline = _in_plane(rings[row])
        axes.plot(*np.vstack([outline, outline[:1]]).T, color="#00224e", linewidth=1.4)
        axes.plot(*outline[0], marker="o", color="#00224e", markersize=4)
        axes.set_aspect("equal")
        axes.set_title(f"at {along[row]:.1f} mm", fontsize=9)
        axes.set_xlabel("mm")
        axes.grid(visible=True, linewidth=0.3)
    caption = (
        "Sections of the target at its first ring, half way and at its last ring; the dot marks 0 degrees."
    )
    return Picture(_png(figure), caption)


def _stations(target: Target) -> NDArray[np.float64]:
    """Distance along the centres of the rings, (n_u,), mm."""
    centres = target.vertices_mm.reshape(*target.shape, 3).mean(axis=1)
    steps = np.linalg.norm(np.diff(centres, axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def _unrolled(
    target: Target, values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Axes in mm and degrees, and values closed round the tube: (n_u, n_v + 1), fewer of a fine target."""
    grid = values.reshape(target.shape)
    closed = np.concatenate([grid, grid[:, :1]], axis=1)
    around = np.linspace(0.0, 360.0, target.shape[1] + 1)
    rows, columns = _spread(len(closed), _MOST_RINGS), _spread(len(around), _MOST_LINES)
    return _stations(target)[rows], around[columns], closed[np.ix_(rows, columns)]


def _spread(count: int, most: int) -> NDArray[np.intp]:
    """Places 0 to ``count - 1``, or ``most`` of them evenly spread from the first to the last."""
    return np.linspace(0.0, count - 1.0, min(count, most)).round().astype(np.intp)


def _in_plane(ring: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ring in its best plane, (n, 2), turned so that 0 degrees lie on the first axis."""
    centred = ring - ring.mean(axis=0)
    normal = np.linalg.svd(centred, full_matrices=False)[2][2]
    first = centred[0] - (centred[0] @ normal) * normal
    first /= np.linalg.norm(first)
    second = np.cross(normal, first)
    if centred[len(ring) // 4] @ second < 0.0:
        second = -second
    result: NDArray[np.float64] = np.column_stack([centred @ first, centred @ second])
    return result


def _png(figure: Any) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()
