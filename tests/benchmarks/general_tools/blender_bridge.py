"""Blender's own edge-loop bridging, in a Python that has bpy."""

import os
import subprocess
import tempfile
from pathlib import Path

import numpy as np

from .broken_scan import MARGIN_MM, BrokenScan, Patch
from .rings import collars

_CHILD = Path(__file__).with_name("blender_child.py")
#: Rows of each collar handed over beside its loop, which give Blender the direction to leave in (mm).
_ROW_MM, _N_ROWS, _SKIP = 1.0, 3, 2
#: One cut of the bridge per so much of the gap, mm; Blender takes 1000 at most.
_CUT_MM = 1.0


def blender_bridge(scan: BrokenScan, blender_python: str) -> Patch:
    """Bridge the loops of two clean collars with smooth interpolation.

    ``blender_python`` is the path of a Python with bpy; the bridging runs as its child.

    Raises
    ------
    RuntimeError
        The child failed; its output is in the message.
    """
    beyond = MARGIN_MM + _ROW_MM * np.arange(_N_ROWS)
    sides = [np.array([collar.ring(at)[::_SKIP] for at in beyond]) for collar in collars(scan)]
    cuts = int(np.clip(round((scan.gap_mm + 2 * MARGIN_MM) / _CUT_MM), 4, 400))
    with tempfile.TemporaryDirectory() as folder:
        asked, made = Path(folder) / "collars.npz", Path(folder) / "bridge.npz"
        np.savez(asked, first=sides[0], last=sides[1], cuts=cuts)
        done = subprocess.run(
            [blender_python, str(_CHILD), str(asked), str(made)],
            capture_output=True,
            text=True,
            check=False,
            env={key: value for key, value in os.environ.items() if key != "PYTHONPATH"},
        )
        if done.returncode != 0 or not made.exists():
            raise RuntimeError(f"Blender's bridging failed: {(done.stderr or done.stdout).strip()[-400:]}")
        with np.load(made) as arrays:
            return Patch(arrays["vertices"], arrays["faces"])
