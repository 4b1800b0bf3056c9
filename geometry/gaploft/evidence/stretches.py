"""Where intact stretches are blanked: as long as the damage where they fit, on both flanks."""

from collections.abc import Sequence

import numpy as np

from gaploft.errors import EvidenceError
from gaploft.surface.blank import Stretch

#: Intact tube that is left on each side of a blanked stretch, in radii.
_SUPPORT_RADII = 1.0
#: Stretches on one flank.
_PER_FLANK = 3
#: A flank carries evidence when a stretch of this share of the damage fits.
SMALLEST_SHARE = 0.25
#: Where the shape is known from elsewhere, what is tested is how it is carried over, and less will do.
SHARE_IF_KNOWN = 0.1


def flank_stretches(
    flank_mm: tuple[float, float],
    length_mm: float,
    radius_mm: float,
    *,
    middle_rad: float,
    width_rad: float,
    smallest_share: float = SMALLEST_SHARE,
) -> list[Stretch]:
    """Stretches within one trusted flank; none when not even the smallest share of the damage fits."""
    start, stop = flank_mm
    support = min(_SUPPORT_RADII * radius_mm, 25.0)
    longest = min(length_mm, stop - start - 2.0 * support)
    if longest < smallest_share * length_mm:
        return []
    places = np.linspace(start + support, stop - support - longest, _PER_FLANK)
    if places[-1] - places[0] < 2.0:
        places = places[:1]
    return [Stretch(float(at), float(at + longest), middle_rad, width_rad) for at in places]


def check_flanks(
    flanks_mm: Sequence[float],
    length_mm: float,
    radius_mm: float,
    stopped_by: Sequence[str],
    *,
    shape_known: bool = False,
) -> None:
    """Refuse damage that the intact tube beside it can't carry.

    Where the shape is known from elsewhere, the flanks only have to say where it lies.

    Raises
    ------
    EvidenceError
        Less flank than a third of a diameter (at most 30 mm) on one side, or less in all than four fifths of
        the damage.
    """
    least = min(0.7 * radius_mm, 30.0)
    for flank, side, reason in zip(flanks_mm, ("from", "to"), stopped_by, strict=True):
        if flank < least:
            raise EvidenceError(
                f"only {max(flank, 0.0):.1f} mm of intact tube can be trusted beyond the '{side}' end of "
                f"the damage ({reason}), at least {least:.1f} mm are needed: scan more of the tube "
                "there"
            )
    if sum(flanks_mm) < 0.8 * length_mm and not shape_known:
        raise EvidenceError(
            f"the damage is {length_mm:.1f} mm long and only {sum(flanks_mm):.1f} mm of intact tube can be "
            f"trusted beside it, at least {0.8 * length_mm:.1f} mm are needed: scan more of the tube"
        )
