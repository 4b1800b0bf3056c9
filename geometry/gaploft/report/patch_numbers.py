"""What a patch stands on, as plain numbers for the report."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.job_patch import PatchSettings
from gaploft.patch.fit import PatchFit
from gaploft.patch.rebuilt import PatchStage
from gaploft.report.model import Rebuild
from gaploft.surface.basis import TURN_RAD
from gaploft.surface.model import TubeSurface
from gaploft.target.model import ORIGINS

Floats = NDArray[np.float64]

_RINGS, _AROUND = 41, 72


def patch_numbers(rebuild: Rebuild) -> dict[str, Any] | None:
    """What a patch stands on; None of a tube.

    Of a patch that was asked for and got no further than its surroundings, all that is not known is None.
    """
    stage = None if rebuild.stages is None else rebuild.stages.patch
    settings = rebuild.job.patch
    if stage is None and settings.use != "always":
        return None
    fit = None if stage is None else stage.fit
    guides = settings.guides_mm
    return {
        "kind": None if stage is None else stage.kind,
        "shares": dict.fromkeys(ORIGINS) if fit is None else _shares(fit),
        "tubes": [] if fit is None else _tubes(fit),
        "fillets": [] if fit is None else _fillets(fit),
        "guides": 0 if guides is None else len(guides),
        "creases": len(settings.creases),
        "outline_loops": None if fit is None else sum(len(loops) for loops in fit.region.outline),
        "blanks": [] if stage is None else _blanks(stage),
    }


def patch_settings(settings: PatchSettings) -> dict[str, Any]:
    """What a job asked for of its patch, places in mm."""
    guides = settings.guides_mm
    return {
        "use": settings.use,
        "outlines_mm": [loop.tolist() for loop in settings.outlines_mm],
        "creases": [
            {"points_mm": crease.points_mm.tolist(), "radius_mm": crease.radius_mm}
            for crease in settings.creases
        ],
        "guides_mm": None if guides is None else guides.tolist(),
    }


def _shares(fit: PatchFit) -> dict[str, float]:
    """Share of the rebuilt area that stands on each."""
    areas = fit.nodes.areas[fit.lost]
    if fit.joined is None:
        return {name: float(name == "fair") for name in ORIGINS}
    part = fit.surface.base.against(fit.nodes.points[fit.lost]).part
    fillet = float(areas[part >= len(fit.joined.tubes)].sum() / areas.sum())
    return {"loft": 1.0 - fillet, "fillet": fillet, "fair": 0.0}


def _tubes(fit: PatchFit) -> list[dict[str, float]]:
    if fit.joined is None:
        return []
    middle = fit.nodes.points[fit.lost].mean(axis=0)
    return [{"diameter_mm": diameter_near(tube.surface, middle)} for tube in fit.joined.tubes]


def diameter_near(surface: TubeSurface, place: Floats) -> float:
    """Mean diameter of the section of a tube whose centre is nearest to a place (3,), mm."""
    u = np.linspace(*surface.range_u, _RINGS)[:, None]
    rings = surface.evaluate(u, np.arange(_AROUND) * (TURN_RAD / _AROUND))
    centres = rings.mean(axis=1)
    nearest = int(np.linalg.norm(centres - place, axis=1).argmin())
    return float(2.0 * np.linalg.norm(rings[nearest] - centres[nearest], axis=1).mean())


def _fillets(fit: PatchFit) -> list[dict[str, Any]]:
    """Radii of the fillets, and the numbers of the two tubes of each, from 0 as they are listed."""
    if fit.joined is None:
        return []
    return [
        {
            "tubes": list(fillet.pair),
            "radius_mm": fillet.radius_mm,
            "radius_u_mm": fillet.spread_mm,
            "along": fillet.kind,
            "even": not np.any(fillet.slope),
            "odds": fillet.odds,
        }
        for fillet in fit.joined.meeting.fillets
    ]


def _blanks(stage: PatchStage) -> list[dict[str, float]]:
    """How well each blanked place came back, and how well it was expected to."""
    if stage.assessed is None:
        return []
    return [
        {
            "rms_mm": float(np.sqrt(np.mean(blank.error_mm**2))),
            "max_mm": float(np.abs(blank.error_mm).max()),
            "expected_mm": float(np.sqrt(np.mean(blank.expected_mm**2))),
        }
        for blank in stage.assessed.blanks.patches
    ]
