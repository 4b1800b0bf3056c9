"""What a patch stands on, in words."""

import numpy as np

from gaploft.evidence.rim import corner_areas, facet_normals
from gaploft.target.model import ORIGINS

from .words import told


def standing_on(rebuilt):
    """What the rebuilt zone of a patch stands on and how much of its area; an empty text of a tube."""
    target = rebuilt.target
    if target is None or target.origin is None:
        return ""
    shares = _shares(target)
    if shares["fair"] > 0.5:  # a surface of its own has no parts
        return told("fair surface of its own")
    tubes = len(rebuilt.stages.patch.fit.joined.tubes)
    loft = told("loft of 1 tube") if tubes == 1 else told("loft of {count} tubes").format(count=tubes)
    names = {"loft": loft, "fillet": told("fillet")}
    parts = [f"{name} {shares[origin]:.0%}" for origin, name in names.items() if shares[origin] >= 0.005]
    return ", ".join(parts)


def _shares(target):
    """Shares of the rebuilt zone's area by what it stands on."""
    areas = np.linalg.norm(facet_normals(target.vertices_mm, target.facets), axis=1)
    at_corners = corner_areas(areas, target.facets, len(target.vertices_mm)) * (target.zone == 1)
    sums = np.bincount(target.origin, at_corners, minlength=len(ORIGINS))
    return dict(zip(ORIGINS, sums / max(sums.sum(), 1e-12), strict=True))
