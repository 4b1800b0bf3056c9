"""Guide points: places pulled by hand that a patch is solved through again, with its rim held."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from gaploft.errors import InputError
from gaploft.patch.base import PatchSurface
from gaploft.patch.energy import attraction
from gaploft.patch.field import Nodes, Seen
from gaploft.patch.fit import PatchFit
from gaploft.patch.system import Factor, factorised

Floats = NDArray[np.float64]

#: Stiffness of what a guide point moves, mm: the trusted scan holds the rim against it. With 1 mm that gives
#: way beyond the rim by some hundredths of what is asked for, with 2 mm by tenths.
_HAND_MM = 1.0
#: Farther off the surface a guide point is a slip of the hand, mm.
_FARTHEST_MM = 15.0
#: A guide point is met to this share of what it asks for; two in one place share the difference.
_SLACK = 1e-6
#: A field is not quite the same beside the surface as on it: what is left of that is asked for again.
_ROUNDS = 3


@dataclass(frozen=True)
class GuideSystem:
    """A patch ready to be solved through guide points.

    The system is factorised when the first solution is asked for; every later one takes one solve for each
    guide point.

    Attributes
    ----------
    surface : the patch without guides
    seen : trusted scan that holds the rest of the surface
    """

    surface: PatchSurface
    seen: Seen

    @property
    def nodes(self) -> Nodes:
        """Where the field is known."""
        return self.surface.nodes

    @cached_property
    def factor(self) -> Factor:
        """The factorised system."""
        nodes, seen = self.nodes, self.seen
        data = attraction(nodes.stencil, None, seen.owner, seen.offset, seen.weights)
        return factorised(nodes.pattern.matrix(data.local + _HAND_MM**6 * nodes.fair_local))

    def moved(self, guides_mm: Floats) -> Floats:
        """What the nodes are raised by so that the surface passes through guides (k, 3), (n,) mm.

        Raises
        ------
        InputError
            A guide lies far off the patch, or over intact scan.
        """
        if len(guides_mm) == 0:
            return np.zeros(len(self.nodes.points))
        found = self.surface.against(guides_mm)
        asked = found.distance
        self._check(guides_mm, asked)
        # Guides over one foot ask for one value, however high each of them is.
        feet = guides_mm - asked[:, None] * found.normal
        rows = values_matrix(self.nodes, feet)
        columns = self.factor.solve(rows.T.toarray())
        met = rows @ columns
        met += _SLACK * np.trace(met) / len(met) * np.eye(len(met))
        through = values_matrix(self.nodes, guides_mm)
        raised, rest = np.zeros(len(self.nodes.points)), asked
        for _ in range(_ROUNDS):
            raised = raised + columns @ np.linalg.solve(met, rest)
            rest = asked - through @ raised
        return np.asarray(raised)

    def guided(self, guides_mm: Floats) -> PatchSurface:
        """The surface through guides (k, 3); raises InputError as :meth:`moved` does."""
        return replace(self.surface, values=self.surface.values + self.moved(guides_mm))

    def _check(self, guides_mm: Floats, asked: Floats) -> None:
        away = self.nodes.tree.query(guides_mm)[0]
        worst = int(np.argmax(np.abs(asked)))
        if away.max() > 2.0 * _FARTHEST_MM or abs(asked[worst]) > _FARTHEST_MM:
            off = max(abs(float(asked[worst])), float(away.max()))
            raise InputError(
                f"a guide point lies {off:.0f} mm off the patch, at most {_FARTHEST_MM:.0f} mm make sense: "
                "move it nearer, or remove it"
            )
        held = np.zeros(len(self.nodes.points))
        np.add.at(held, self.seen.owner, self.seen.weights)
        over = held[self.nodes.tree.query(guides_mm)[1]] > 0.5 * self.nodes.areas.mean()
        if over.any():
            raise InputError(
                f"{int(over.sum())} of the guide points lie over intact scan, which holds the surface: put "
                "them on the rebuilt zone"
            )


def guide_system(fit: PatchFit) -> GuideSystem:
    """A fitted patch ready for guide points."""
    trusted = fit.seen.weights > 0.0
    return GuideSystem(fit.surface, fit.seen.where(trusted))


def values_matrix(nodes: Nodes, points: Floats) -> csr_matrix:
    """What a field at points (m, 3) is made of: (m, n) weights of the nodes' values.

    The same blend of the nodes' polynomials as :meth:`gaploft.patch.field.Nodes.values`.
    """
    from gaploft.patch.jets import POWERS

    near, weight = nodes.blend(points)
    frame = nodes.stencil.frame[near]
    local = np.einsum("mkij,mkj->mki", frame[:, :, :2], points[:, None] - nodes.points[near])
    x, y = local[..., 0], local[..., 1]
    terms = np.stack([x**i * y**j for i, j in POWERS], axis=-1)
    share = np.einsum("mkc,mkcl->mkl", terms, nodes.stencil.fit[near])
    own = weight * (1.0 - share.sum(axis=2))
    columns = np.concatenate([near, nodes.pattern.near[near].reshape(len(points), -1)], axis=1)
    values = np.concatenate([own, (weight[..., None] * share).reshape(len(points), -1)], axis=1)
    rows = np.repeat(np.arange(len(points)), columns.shape[1])
    return csr_matrix((values.ravel(), (rows, columns.ravel())), shape=(len(points), len(nodes.points)))
