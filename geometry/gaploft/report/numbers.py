"""The report as plain numbers: what ``report.json`` holds."""

import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from importlib import metadata
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.model import BandSummary, BlankTest, FitQuality, GapSize, Halves, Seam
from gaploft.files.facts import WrittenMesh
from gaploft.job import Thickness
from gaploft.progress import STAGES
from gaploft.report.model import Rebuild
from gaploft.report.patch_numbers import patch_numbers, patch_settings
from gaploft.report.pieces import in_frame, owner_of
from gaploft.report.ways_job import ways_job
from gaploft.report.ways_numbers import ways_numbers
from gaploft.scan.frame import Frame
from gaploft.target.model import Target
from gaploft.ways.model import Compared

SCHEMA = 1
GENERATOR = "gaploft"
FRAME = {
    "scan": "coordinates are those of the scan file, in millimetres",
    "machine": "coordinates are those of the machine's frame, in millimetres; frame_fit.matrix carries those "
    "of the scan file, in millimetres, into it",
}
#: What the workshop can ask for beside the target; each is None where it was not.
_SHOP = ("layers", "wall", "bed", "plies", "reach")

_EVIDENCE = {
    "gap": GapSize,
    "fit": FitQuality,
    "blank_test": BlankTest,
    "band95_mm": BandSummary,
    "seam": Seam,
    "halves": Halves,
}


def as_dict(rebuild: Rebuild, written: WrittenMesh | None) -> dict[str, Any]:
    """Everything that is known of one rebuild, as JSON can hold it.

    Parameters
    ----------
    rebuild : Rebuild
    written : the target's STL file; None when there is no target

    Returns
    -------
    dict
        Always the same keys, and of a patch ``job.patch`` beside them. What is not known, because the work
        stopped before, is None.
    """
    evidence = rebuild.evidence
    known = {name: None if evidence is None else getattr(evidence, name) for name in _EVIDENCE}
    seconds = {stage: float(rebuild.seconds.get(stage, 0.0)) for stage in STAGES}
    report = {
        "schema": SCHEMA,
        "generator": f"{GENERATOR} {version()}",
        "unit": "mm",
        "frame": FRAME[owner_of(rebuild.frame)],
        "scan": asdict(rebuild.source),
        "job": _job(rebuild),
        **{name: _fields(kind, known[name]) for name, kind in _EVIDENCE.items()},
        "target": _target(rebuild, written),
        **_shop(rebuild),
        "source": ways_numbers(_compared(rebuild)),
        "patch": patch_numbers(rebuild),
        "files": [],
        "verdict": rebuild.verdict,
        "warnings": [{"code": note.code, "text": note.text} for note in rebuild.warnings],
        "seconds": {**seconds, "total": sum(seconds.values())},
    }
    cleaned: dict[str, Any] = plain(report)
    return cleaned


def as_json(report: Mapping[str, Any]) -> str:
    """Text of ``report.json``: one key a line, in the order of :func:`as_dict`."""
    return json.dumps(report, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def version() -> str:
    """The version of this library, as far as it is installed."""
    try:
        return metadata.version("gaploft")
    except metadata.PackageNotFoundError:
        return "(not installed)"


def _fields(kind: type, value: Any) -> dict[str, Any]:
    """Fields of a dataclass, each None when there is no value."""
    if value is not None:
        return asdict(value)
    empty: dict[str, Any] = dict.fromkeys(kind.__dataclass_fields__)  # type: ignore[attr-defined]
    if "flank_mm" in empty:
        empty["flank_mm"] = [None, None]
    return empty


def _job(rebuild: Rebuild) -> dict[str, Any]:
    job = rebuild.job
    masked = job.damage.source_vertices
    return {
        "from_mm": _end(job.damage.from_mm),
        "to_mm": _end(job.damage.to_mm),
        "masked_vertices": None if masked is None else len(masked),
        "chord_tolerance_mm": job.target.chord_tolerance_mm,
        "overlap_mm": job.target.overlap_mm,
        **{f"{name}_mm": _thickness(given) for name, given in job.layers.table.items()},
        "layers_outside": job.layers.outside,
        "layers_tight": job.layers.tight,
        "depth_below_outer_surface_mm": job.layers.total_mm,
        "halves_mode": job.halves.mode,
        "halves_move": job.halves.move,
        "zero_mm": None if job.zero_mm is None else job.zero_mm.tolist(),
        "wall_mm": None if job.wall is None else _thickness(job.wall.thickness_mm),
        "wall_share": None if job.wall is None else job.wall.share,
        "bed": None if job.bed is None else asdict(job.bed),
        "tool_radius_mm": None if job.reach is None else job.reach.tool_radius_mm,
        **ways_job(job.ways, _compared(rebuild)),
        **({} if patch_numbers(rebuild) is None else {"patch": patch_settings(job.patch)}),
    }


def _end(point: NDArray[np.float64]) -> list[float] | None:
    """One end of the damage; a patch can do without."""
    return [float(x) for x in point] if np.isfinite(point).all() else None


def _compared(rebuild: Rebuild) -> Compared | None:
    return None if rebuild.stages is None else rebuild.stages.compared


def _thickness(thickness: Thickness) -> float | list[list[float]]:
    """A number, or readings as a job file lists them, places in mm."""
    if not isinstance(thickness, tuple):
        return thickness
    return [[*(r.point_mm or (r.station_mm, r.angle_deg)), r.value_mm] for r in thickness]


def _shop(rebuild: Rebuild) -> dict[str, Any]:
    """Summaries of what was made for the workshop."""
    shop, frame = rebuild.shop, rebuild.frame
    found = {name: None if shop is None else getattr(shop, name) for name in _SHOP}
    told = {name: None if part is None else asdict(part.summary) for name, part in found.items()}
    nominal = None if rebuild.job.frame is None else rebuild.job.frame.radius_mm
    return {**told, "frame_fit": None if frame is None else frame_numbers(frame, nominal)}


def frame_numbers(frame: Frame, nominal_radius_mm: float | None = None) -> dict[str, Any]:
    """The machine's frame: how the scan is moved into it, and how well what it rests on fits."""
    off = np.linalg.norm(frame.residuals_mm, axis=1)
    spheres = [
        {
            "centre_mm": ball.centre_mm.tolist(),
            "centre_u_mm": ball.u_mm,
            "radius_mm": ball.radius_mm,
            "nominal_radius_mm": nominal_radius_mm,
            "rms_mm": ball.rms_mm,
            "points": ball.points,
            "residual_mm": float(off[k]) if len(off) else None,
        }
        for k, ball in enumerate(frame.spheres)
    ]
    return {
        "kind": frame.kind,
        "matrix": frame.matrix.tolist(),
        "residual_most_mm": frame.largest_mm if len(off) else None,
        "residual_rms_mm": float(np.sqrt(np.mean(off**2))) if len(off) else None,
        "spheres": spheres,
    }


def _target(rebuild: Rebuild, written: WrittenMesh | None) -> dict[str, Any]:
    keys = (
        "file",
        "facets",
        "area_mm2",
        "chord_error_mm",
        "manifold",
        "sha256",
        "rounding_mm",
        "size_mm",
        "rings",
        "kind",
    )
    if written is None or rebuild.target is None:
        return dict.fromkeys(keys)
    vertices = in_frame(rebuild.target, rebuild.frame).vertices_mm
    return {
        "file": written.file,
        "facets": written.facets,
        "area_mm2": written.area_mm2,
        "chord_error_mm": rebuild.target.chord_error_mm,
        "manifold": written.manifold,
        "sha256": written.sha256,
        "rounding_mm": written.rounding_mm,
        "size_mm": (vertices.max(axis=0) - vertices.min(axis=0)).tolist(),
        "rings": list(rebuild.target.shape) if rebuild.target.ringed else None,
        "kind": kind_of(rebuild.target),
    }


def kind_of(target: Target) -> str:
    """What a target is, "tube" for rings of one or "patch" for a plain mesh."""
    return "tube" if target.ringed else "patch"


def plain(value: Any) -> Any:
    """Copy with plain Python types; a number that is not finite becomes None, which JSON can hold."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
