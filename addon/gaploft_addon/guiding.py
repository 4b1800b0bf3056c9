"""A patch that is bent to guides at once: all that takes, made once from its rebuild; nothing of Blender."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import csr_matrix
from scipy.spatial import cKDTree
from threadpoolctl import threadpool_limits

from gaploft.errors import InputError
from gaploft.patch.guide import GuideSystem, guide_system, values_matrix
from gaploft.report.model import Rebuild

from .words import told

#: A guide where less than this share of a move is left by the lock would ask for many times its own.
LEAST_FREE = 0.15
#: The lock at a guide is that of so many nearest points of the surface.
AROUND = 3


@dataclass(frozen=True)
class Bend:
    """A rebuilt patch, ready to be bent.

    Attributes
    ----------
    rebuilt : its rebuild, through the guides of its job
    system : the patch without guides
    matrix : (m, n), from what the nodes are raised by to what the target's points are
    built : (n,) what the nodes were raised by for the guides of the job, mm
    """

    rebuilt: Rebuild
    system: GuideSystem
    matrix: csr_matrix
    built: np.ndarray

    @cached_property
    def tree(self):
        """For finding the points of the outer surface around a guide."""
        return cKDTree(self.rebuilt.target.outer_mm)

    def raised(self, guides_mm, free):
        """What the target's points are to be raised by along their normals, (m,) mm.

        The surface moves as a rebuild with these guides would, times the share ``free`` (m,) that the lock
        leaves at each point. Where it leaves less than all, a guide asks for as much more.

        Raises
        ------
        InputError
            A guide lies far off the patch, or over intact scan or the locked rim.
        """
        with threadpool_limits(limits=1, user_api="blas"):
            asked = np.empty((0, 3)) if guides_mm is None else self._through_lock(guides_mm, free)
            return free * (self.matrix @ (self.system.moved(asked) - self.built))

    def _through_lock(self, guides, free):
        found = self.system.surface.against(guides)
        off = found.distance - values_matrix(self.system.nodes, guides) @ self.built
        away, near = self.tree.query(guides, k=AROUND)
        weight = 1.0 / np.maximum(away, 1e-6) ** 2
        share = (weight * free[near]).sum(axis=1) / weight.sum(axis=1)
        if share.min() < LEAST_FREE:
            text = told(
                "guide {number} lies over intact scan or the locked rim, {mm:.1f} mm off the surface: move "
                "it farther in, or lock less"
            )
            worst = int(share.argmin())
            raise InputError(text.format(number=worst + 1, mm=abs(off[worst])))
        return guides + (off / share - off)[:, None] * found.normal


def bend_of(rebuilt):
    """Make a rebuilt patch ready; takes about a second. Raises InputError when it is none."""
    stage = None if rebuilt.stages is None else rebuilt.stages.patch
    if stage is None or rebuilt.target is None:
        raise InputError(
            told("the surface is no patch, and guides bend patches alone: see Junction Patch under 3 Rebuild")
        )
    system, guides = guide_system(stage.fit), rebuilt.job.patch.guides_mm
    with threadpool_limits(limits=1, user_api="blas"):
        built = system.moved(np.empty((0, 3)) if guides is None else guides)
        matrix = values_matrix(system.nodes, rebuilt.target.outer_mm)
        assert system.factor is not None  # made now, so that the first guide need not wait
    return Bend(rebuilt, system, matrix, built)
