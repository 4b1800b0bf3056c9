"""Plot the README's error picture: the demo's rebuilt surface against the truth, and the claimed band.

    .venv/bin/python sample_scenes/plot_error.py

Reads ``demo-out/target.ply`` of ``make demo``, prints the figures and writes ``docs/error.png``.
"""

import sys
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from matplotlib.figure import Figure

from frame_tubes import Floats
from truth import truth_distance

ROOT = Path(__file__).resolve().parent.parent
SCENE = ROOT / "sample_scenes" / "seat_cluster"
TARGET = ROOT / "demo-out" / "target.ply"
PICTURE = ROOT / "docs" / "error.png"
#: They differ in lightness, so that they part with any colour vision and in print.
DARK, LIGHT = "#00224e", "#bdbdbd"
STEP_MM = 1.5


def main() -> int:
    """Draw error and band along the tube; 1 when there was no demo yet."""
    if not TARGET.is_file():
        print("plot_error: there is no demo-out/target.ply; run make demo first", file=sys.stderr)
        return 1
    vertices = trimesh.load(TARGET, process=False).metadata["_ply_raw"]["vertex"]["data"]
    points = np.column_stack([vertices[axis] for axis in "xyz"]).astype(np.float64)
    band, rebuilt = vertices["band95"].astype(np.float64), vertices["zone"] == 1
    error = truth_distance(SCENE, points)
    rms, worst = np.sqrt(np.mean(error[rebuilt] ** 2)), np.abs(error[rebuilt]).max()
    inside = np.mean(np.abs(error[rebuilt]) <= band[rebuilt])
    print(f"rebuilt zone: rms {rms:.3f}, worst {worst:.3f} mm, {inside:.1%} inside the band")
    along = distance_along(points)
    figure = Figure(figsize=(8.0, 3.5), dpi=110, layout="constrained")
    draw(figure.subplots(), along, error, band, (along[rebuilt].min(), along[rebuilt].max()))
    PICTURE.parent.mkdir(exist_ok=True)
    figure.savefig(PICTURE, metadata={"Software": None})
    return 0


def distance_along(points: Floats) -> Floats:
    """Distance along the tube from the middle of the marked damage, mm."""
    damage = tomllib.loads((SCENE / "job.toml").read_text(encoding="utf-8"))["damage"]
    start, stop = np.array(damage["from"]), np.array(damage["to"])
    return (points - (start + stop) / 2) @ (stop - start) / np.linalg.norm(stop - start)


def draw(axes: Any, along: Floats, error: Floats, band: Floats, ends: tuple[float, float]) -> None:
    """Band, extent of the error round the tube and its root mean square, in steps along the tube."""
    slices = np.round(along / STEP_MM).astype(int)
    rows = [slices == number for number in np.unique(slices)]
    middle, half = (np.array([values[row].mean() for row in rows]) for values in (along, band))
    low, high = (np.array([pick(error[row]) for row in rows]) for pick in (np.min, np.max))
    root = np.array([np.sqrt(np.mean(error[row] ** 2)) for row in rows])
    axes.fill_between(middle, -half, half, color=LIGHT, linewidth=0, label="claimed 95 % band")
    axes.plot(middle, high, color=DARK, linewidth=1.0, label="largest and smallest error round the tube")
    axes.plot(middle, low, color=DARK, linewidth=1.0)
    axes.plot(middle, root, color=DARK, linewidth=2.2, linestyle="dotted", label="root mean square error")
    axes.axhline(0.0, color="black", linewidth=0.6)
    for end, side, name in zip(ends, ("right", "left"), ("intact ", " intact"), strict=True):
        axes.axvline(end, color="black", linewidth=0.9, linestyle="dashed")
        axes.text(end, 0.97, name, transform=axes.get_xaxis_transform(), ha=side, va="top")
    axes.text(sum(ends) / 2, 0.97, "rebuilt", transform=axes.get_xaxis_transform(), ha="center", va="top")
    top = 1.2 * max(half.max(), np.abs(error).max())
    axes.set(xlim=(middle[0], middle[-1]), ylim=(-top, top))
    axes.set(xlabel="along the tube from the middle of the damage, mm", ylabel="outwards, mm")
    axes.figure.legend(loc="outside lower center", ncols=3, fontsize=9, frameon=False)


if __name__ == "__main__":
    sys.exit(main())
