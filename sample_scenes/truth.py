"""The truth about a sample scene: the broken tube's original surface, as a formula.

    from truth import truth_distance
    error_mm = truth_distance("sample_scenes/seat_cluster", points_mm)

Points are millimetres in the frame of ``scan.stl``; positive distances lie outside the surface.
"""

import json
from pathlib import Path

import numpy as np

from frame_tubes import ArcTube, Floats
from rolled_joint import RolledJoint
from shaped_tube import ShapedTube

#: What ``shape`` in truth.json may say; without it the tube is an arc.
_TUBES = {"arc": ArcTube, "shaped": ShapedTube, "rolled": RolledJoint}


def truth_distance(scene: str | Path, points_mm: Floats) -> Floats:
    """Signed distance of points (n, 3) to the original surface of the scene's broken tube, mm."""
    truth = json.loads((Path(scene) / "truth.json").read_text(encoding="utf-8"))
    tube = _TUBES[truth.get("shape", "arc")](
        **{key: _as_tuple(value) for key, value in truth["tube"].items()}
    )
    turn, shift = np.array(truth["pose"]["turn"]), np.array(truth["pose"]["shift_mm"])
    return tube.distance((np.asarray(points_mm, dtype=np.float64) - shift) @ turn)


def _as_tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value
