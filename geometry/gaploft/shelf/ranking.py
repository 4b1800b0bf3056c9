"""Which tubes of a shelf fit a broken one by their sections, and how they lie on it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gaploft.donor.rings import STEP_MM
from gaploft.shelf.descriptor import Outlines, outlines_from, outlines_of
from gaploft.shelf.found import Query, Where
from gaploft.shelf.laying import Ground, Lying, lay
from gaploft.shelf.model import Head
from gaploft.shelf.sieve import Broken, broken, sift
from gaploft.surface.shape import Shape

#: Ways to lie that are looked at more closely after all tubes were compared.
_KEPT = 30


@dataclass(frozen=True)
class Lies:
    """How a tube lies, and which way round."""

    lying: Lying
    reversed: bool
    mirrored: bool

    def laid(self, stored: Shape) -> Shape:
        """The tube itself in that place, with stations that run as the broken tube's do."""
        shape = (stored.reflected() if self.mirrored else stored).moved(self.lying.matrix)
        return shape.reversed() if self.reversed else shape

    def where(self, tube: Broken, n_sections: int) -> Where:
        """The same for people and programs."""
        middle = float(tube.gap[0] + tube.gap[1]) / 2.0 + self.lying.slide
        at = n_sections - 1 - middle if self.reversed else middle
        return Where(self.lying.matrix, STEP_MM * at, self.reversed, self.mirrored)


def broken_tube(query: Query) -> Broken:
    """The broken tube by its sections; those within the gap don't count."""
    rings = query.rings
    outlines = outlines_of(rings)
    steps = np.linalg.norm(np.diff(rings.centres_mm, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    start, stop = np.interp(query.gap_mm, rings.at_mm, along) / STEP_MM
    station = np.arange(len(outlines.seen))
    seen = outlines.seen & ((station < start) | (station > stop))
    if not seen.any():
        raise ValueError("nothing is seen of the broken tube")
    gap = int(np.floor(start)), min(int(np.ceil(stop)), len(seen) - 1)
    return broken(replace(outlines, seen=seen), gap, query.radius_mm)


def ranked(heads: Sequence[Head], tube: Broken, mirrored: bool) -> tuple[list[tuple[int, Lies]], int]:
    """Numbers of the tubes that could fit, the best first, and how many are too short."""
    if not heads:
        return [], 0
    forth, back = sift(tube, [head.descriptor for head in heads])
    misfit = np.concatenate([forth.misfit_mm, back.misfit_mm])
    ground = Ground(tube)
    lies: dict[int, Lies] = {}
    for way in np.argsort(misfit, kind="stable")[:_KEPT]:
        if not np.isfinite(misfit[way]):
            break
        n, reverse = int(way) % len(heads), bool(way >= len(heads))
        for mirror in (False, True)[: 1 + mirrored]:
            found = lay(ground, _turned(heads[n], reverse, mirror))
            if found and (n not in lies or found.unsure_mm < lies[n].lying.unsure_mm):
                lies[n] = Lies(found, reverse, mirror)
    too_short = int((~np.isfinite(np.minimum(forth.misfit_mm, back.misfit_mm))).sum())
    return sorted(lies.items(), key=lambda item: (item[1].lying.unsure_mm, item[0])), too_short


def _turned(head: Head, reverse: bool, mirror: bool) -> Outlines:
    outlines = outlines_from(head.descriptor)
    outlines = outlines.reflected() if mirror else outlines
    return outlines.reversed() if reverse else outlines
