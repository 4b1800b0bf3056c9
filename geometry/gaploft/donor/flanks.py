"""What is intact of a broken tube, as a donor is laid onto it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaploft.donor.rings import Rings, rings_of
from gaploft.errors import EvidenceError
from gaploft.evidence.chosen_fit import ChosenFit, chosen_fit
from gaploft.evidence.straight import along_arc, thinned
from gaploft.surface.fit import spread_out
from gaploft.surface.model import TubeSurface
from gaploft.tube.model import TubePoints
from gaploft.tube.outline import damage_outline

Floats = NDArray[np.float64]

#: So far from the damage nothing is trusted before the margins are known, mm; or this share of a flank.
_KEPT_OUT_MM, _KEPT_OUT_SHARE = 10.0, 0.3
#: Points that a donor is laid onto.
_MOST_POINTS = 12_000


@dataclass(frozen=True)
class Flanks:
    """The intact tube beside the damage.

    Attributes
    ----------
    tube : with stations along its own arc
    fit : a quick fit to what is trusted; it bridges the damage as well as it can
    rings : sections, those of the damage not seen
    points_mm : (n, 3) trusted points, evenly from all of both flanks
    gap_mm : stations between which nothing is trusted
    """

    tube: TubePoints
    fit: ChosenFit
    rings: Rings
    points_mm: Floats
    gap_mm: tuple[float, float]

    @property
    def surface(self) -> TubeSurface:
        """The quick fit's surface."""
        return self.fit.surface

    @property
    def noise_mm(self) -> float:
        """Noise of one point."""
        return self.fit.noise.scale_mm


def flanks_of(given: TubePoints) -> Flanks:
    """Get the flanks of a broken tube ready to lay donors onto.

    Raises
    ------
    EvidenceError
        Hardly anything of the tube was scanned.
    """
    tube, arc = along_arc(thinned(given))
    outline = damage_outline(tube)
    beyond = np.array([tube.gap_mm[0] - tube.flank_mm[0], tube.flank_mm[1] - tube.gap_mm[1]])
    margins = np.clip(_KEPT_OUT_SHARE * beyond, 1.0, _KEPT_OUT_MM)
    if outline.n_rims == 1:
        margins = margins[:1]
    try:
        fit = chosen_fit(tube, arc, outline, margins, lambda share: None, rough=True)
    except np.linalg.LinAlgError as error:
        raise EvidenceError(
            "the intact scan does not determine the tube's surface: scan more of the tube beside the damage"
        ) from error
    distance, rim = outline.distance(tube.u, tube.v)
    trusted = np.flatnonzero(~tube.damaged & (distance >= margins[rim]))
    trusted = trusted[spread_out(tube.u[trusted], _MOST_POINTS)]
    gap = (tube.gap_mm[0] - float(margins[0]), tube.gap_mm[1] + float(margins[-1]))
    hidden = gap if tube.all_round else None
    rings = rings_of(fit.surface, tube.flank_mm, gap_mm=hidden)
    return Flanks(tube, fit, rings, tube.points_mm[trusted], gap)
