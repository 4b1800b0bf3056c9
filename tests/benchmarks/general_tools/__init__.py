"""General tools that a technician could use instead, each on the same broken scan.

All are general-purpose libraries; none knows tubes. Each is helped by the same margin and, where it
starts from rings, by the same clean rings (see ``broken_scan`` and ``rings``).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from .blender_bridge import blender_bridge
from .broken_scan import BrokenScan, Patch
from .fairing import biharmonic_fairing, triharmonic_fairing
from .hole_filling import meshfix, vtk_fill_holes
from .linear_loft import linear_loft
from .poisson import screened_poisson
from .rings import NoRings
from .thin_plate import thin_plate, thin_plate_on_cubic

__all__ = ["TOOLS", "BrokenScan", "GeneralTool", "NoRings", "Patch", "tools_with"]


@dataclass(frozen=True)
class GeneralTool:
    """A tool's title in tables, the package it stands on, and the call."""

    title: str
    package: str
    rebuild: Callable[[BrokenScan], Patch]


#: Name -> tool, those that run in this Python.
TOOLS: Mapping[str, GeneralTool] = {
    "thin_plate": GeneralTool("thin-plate unrolling (SciPy)", "scipy", thin_plate),
    "thin_plate_cubic": GeneralTool("thin-plate about a cubic (SciPy)", "scipy", thin_plate_on_cubic),
    "linear_loft": GeneralTool("linear loft", "numpy", linear_loft),
    "fairing_2": GeneralTool("fairing, k = 2 (libigl)", "libigl", biharmonic_fairing),
    "fairing_3": GeneralTool("fairing, k = 3 (libigl)", "libigl", triharmonic_fairing),
    "poisson": GeneralTool("screened Poisson (Open3D)", "open3d", screened_poisson),
    "vtk": GeneralTool("hole filling (VTK)", "vtk", vtk_fill_holes),
    "meshfix": GeneralTool("hole filling (pymeshfix)", "pymeshfix", meshfix),
}


def tools_with(blender_python: str | None) -> dict[str, GeneralTool]:
    """All tools; Blender's bridging too where a Python with bpy is named."""
    if blender_python is None:
        return dict(TOOLS)
    bridge = GeneralTool(
        "edge-loop bridging (Blender)", "bpy", lambda scan: blender_bridge(scan, blender_python)
    )
    return {**TOOLS, "blender": bridge}
