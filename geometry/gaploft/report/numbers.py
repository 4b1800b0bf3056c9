"""The report as plain numbers: what ``report.json`` holds."""

import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from importlib import metadata
from typing import Any

from gaploft.evidence.model import BandSummary, BlankTest, FitQuality, GapSize, Halves, Seam
from gaploft.files.facts import WrittenMesh
from gaploft.progress import STAGES
from gaploft.report.model import Rebuild

SCHEMA = 1
GENERATOR = "gaploft"
FRAME = "coordinates are those of the scan file, in millimetres"

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
        Always the same keys. What is not known, because the work stopped before, is None.
    """
    evidence = rebuild.evidence
    known = {name: None if evidence is None else getattr(evidence, name) for name in _EVIDENCE}
    seconds = {stage: float(rebuild.seconds.get(stage, 0.0)) for stage in STAGES}
    report = {
        "schema": SCHEMA,
        "generator": f"{GENERATOR} {_version()}",
        "unit": "mm",
        "frame": FRAME,
        "scan": asdict(rebuild.source),
        "job": _job(rebuild),
        **{name: _fields(kind, known[name]) for name, kind in _EVIDENCE.items()},
        "target": _target(rebuild, written),
        "verdict": rebuild.verdict,
        "warnings": [{"code": note.code, "text": note.text} for note in rebuild.warnings],
        "seconds": {**seconds, "total": sum(seconds.values())},
    }
    cleaned: dict[str, Any] = _plain(report)
    return cleaned


def as_json(report: Mapping[str, Any]) -> str:
    """Text of ``report.json``: one key a line, in the order of :func:`as_dict`."""
    return json.dumps(report, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _version() -> str:
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
        "from_mm": [float(x) for x in job.damage.from_mm],
        "to_mm": [float(x) for x in job.damage.to_mm],
        "masked_vertices": None if masked is None else len(masked),
        "chord_tolerance_mm": job.target.chord_tolerance_mm,
        "overlap_mm": job.target.overlap_mm,
        "paint_mm": job.layers.paint_mm,
        "cover_mm": job.layers.cover_mm,
        "depth_below_outer_surface_mm": job.layers.total_mm,
        "halves_mode": job.halves.mode,
        "halves_move": job.halves.move,
    }


def _target(rebuild: Rebuild, written: WrittenMesh | None) -> dict[str, Any]:
    keys = ("file", "facets", "area_mm2", "chord_error_mm", "manifold", "sha256", "rounding_mm", "size_mm")
    if written is None or rebuild.target is None:
        return dict.fromkeys(keys)
    vertices = rebuild.target.vertices_mm
    return {
        "file": written.file,
        "facets": written.facets,
        "area_mm2": written.area_mm2,
        "chord_error_mm": rebuild.target.chord_error_mm,
        "manifold": written.manifold,
        "sha256": written.sha256,
        "rounding_mm": written.rounding_mm,
        "size_mm": (vertices.max(axis=0) - vertices.min(axis=0)).tolist(),
    }


def _plain(value: Any) -> Any:
    """Copy with plain Python types; a number that is not finite becomes None, which JSON can hold."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
