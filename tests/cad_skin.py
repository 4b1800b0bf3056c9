"""Exact foot points on the outer skin of a solid made by a CAD kernel: the nearest of those on its faces."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from cad_faces import SplineFace, TubeFace
from junction_mesh import Faces, Floats, Mask


class Face(Protocol):
    """One smooth face."""

    def foot(self, points: Floats) -> tuple[Floats, Floats, Mask]:
        """Feet (n, 3), outward unit normals (n, 3), and which feet lie on the trimmed face."""
        ...

    def near(self, points: Floats, within_mm: Floats) -> Mask:
        """Which points may have their foot on the face nearer than ``within_mm`` (n,)."""
        ...


@dataclass(frozen=True)
class CadSkin:
    """The outer skin of a solid, the kernel's ``solid``: its tubes go on past their ends.

    ``tubes`` are the main tube and the branches in order; u runs across a fillet, v along it.
    """

    solid: Any
    tubes: Sequence[TubeFace]
    fillets: Sequence[SplineFace]
    mesh: tuple[Floats, Faces]

    def rough(self) -> tuple[Floats, Faces]:
        """The kernel's own mesh, without the caps of the tubes."""
        return self.mesh

    def along_fillet(self, branch: int, share: float) -> Floats:
        """Points (k, 3) along the fillet of a branch (1, 2, ...), from the main tube (share 0) to it (1)."""
        lines = []
        for fillet in self.fillets:
            ends = fillet.at(fillet.range.mean(axis=0) + [[-0.5, 0.0], [0.5, 0.0]] * fillet.span)
            off = [np.linalg.norm(self.tubes[i].foot(ends)[0] - ends, axis=1) for i in (0, branch)]
            if min(off[0][0] + off[1][1], off[0][1] + off[1][0]) > 0.01:
                continue  # another branch's
            across = share if off[0][0] < off[0][1] else 1.0 - share
            lines.append(fillet.at(fillet.uv(np.full(400, across), np.linspace(0.0, 1.0, 400))))
        return np.concatenate(lines)

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        """Closest points (n, 3) and outward unit normals (n, 3): the nearest of the feet on all faces."""
        feet, normals, best, _ = self.closest(points)
        if not np.isfinite(best).all():
            raise AssertionError("a point has no foot on any face")
        return feet, normals

    def closest(self, points: Floats) -> tuple[Floats, Floats, Floats, NDArray[np.int64]]:
        """Feet, normals, distances and numbers of the faces (tubes first, then fillets)."""
        points = np.asarray(points, dtype=np.float64)
        feet, normals = np.zeros_like(points), np.zeros_like(points)
        best, face_of = np.full(len(points), np.inf), np.full(len(points), -1)
        faces: list[Face] = [*self.tubes, *self.fillets]
        for number, face in enumerate(faces):
            tried = np.flatnonzero(face.near(points, best))
            if len(tried) == 0:
                continue
            foot, normal, on_face = face.foot(points[tried])
            away = np.linalg.norm(points[tried] - foot, axis=1)
            better = on_face & (away < best[tried])
            chosen = tried[better]
            feet[chosen], normals[chosen] = foot[better], normal[better]
            best[chosen], face_of[chosen] = away[better], number
        return feet, normals, best, face_of
