"""Scans of damaged junctions and other curved outlines that no tube loft fits, with exact truth.

``CASES["torus_inner"](seed=3)`` makes one case: a scan with noise whose marked area is dented, torn and
holed, whose rims are bad beyond the outline, and the intact surface, which tells foot points exactly:
closed forms of ``junction_closed.py``, and tubes joined and filleted by a CAD kernel of ``junction_cad.py``.
"""

import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from irregular import correlated_noise
from junction_closed import CLOSED_SITES
from junction_damage import Site, damaged, patch_points, without
from junction_mesh import Faces, Floats, triangulated
from junction_sites import CAD_SITES

#: Noise that is alike within so far (mm), and how much of its variance is independent from point to point.
_CORRELATION_MM = 1.0
_WHITE_SHARE = 0.5


class Truth(Protocol):
    """An intact outer surface."""

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        """Closest points (n, 3) mm of the surface, and outward unit normals (n, 3) there.

        It is meant for points near the surface: nearer than its radius of curvature.
        """
        ...


@dataclass(frozen=True)
class JunctionCase:
    """One scan of a damaged outline, and the truth about it.

    ``vertices_mm`` (n, 3) and ``faces`` (m, 3), anticlockwise from outside, are the scan; ``damaged`` (k,)
    numbers the vertices to mark, around the hole, if there is one. ``size_mm`` is the nominal width of the
    patch, the narrow way if it is long; ``patch_points_mm`` (p, 3), ``patch_normals`` (p, 3) are spread
    evenly over the intact surface inside the marked outline, for errors to be measured at. ``kept_out``
    cases only judge the method.
    """

    name: str
    vertices_mm: Floats
    faces: Faces
    damaged: NDArray[np.int64]
    truth: Truth
    size_mm: float
    patch_points_mm: Floats
    patch_normals: Floats
    kept_out: bool


def off(case: JunctionCase, points: Floats) -> Floats:
    """Signed normal distance of points (n, 3) to the intact surface, positive outside, mm (n,)."""
    points = np.asarray(points, dtype=np.float64)
    foot, normal = case.truth.project(points)
    return np.asarray(np.sum((points - foot) * normal, axis=1))


def build(site: Site, *, seed: int = 0, noise_mm: float = 0.02, rim: str = "mixed") -> JunctionCase:
    """Scan and damage one site; triangles, noise and damage each have a seed of their own."""
    seeds = np.random.SeedSequence([seed, zlib.crc32(site.name.encode())]).spawn(4)
    mesh_rng, noise_rng, damage_rng, patch_rng = map(np.random.default_rng, seeds)
    surface = site.surface()
    mark = site.mark(surface)
    points, normals, faces = triangulated(
        surface, mark.source_mm, mark.half_mm + site.reach_mm, edge_mm=site.edge_mm, rng=mesh_rng
    )
    damage = damaged(points, faces, mark, rim=rim, rng=damage_rng)
    noise = correlated_noise(
        points, rms_mm=noise_mm, correlation_mm=_CORRELATION_MM, rng=noise_rng, white_share=_WHITE_SHARE
    )
    scan = points + (noise + damage.height_mm)[:, None] * normals
    kept, scan_faces = without(faces, damage.lost)
    return JunctionCase(
        site.name,
        scan[kept],
        scan_faces,
        np.flatnonzero(damage.marked[kept]),
        surface,
        site.size_mm,
        *patch_points(surface, points, faces, damage.marked, patch_rng),
        site.kept_out,
    )


SITES = {site.name: site for site in (*CLOSED_SITES, *CAD_SITES)}
#: Name -> builder of the case, with the keywords of ``build``.
CASES: Mapping[str, Callable[..., JunctionCase]] = MappingProxyType(
    {name: partial(build, site) for name, site in SITES.items()}
)
#: Cases that may be looked at while the method is made, and those that only judge it.
DEVELOPMENT = tuple(name for name, site in SITES.items() if not site.kept_out)
KEPT_OUT = tuple(name for name, site in SITES.items() if site.kept_out)


def junction_cases(
    names: Iterable[str] | None = None, *, seed: int = 0, noise_mm: float = 0.02, rim: str = "mixed"
) -> Iterator[JunctionCase]:
    """Build cases one after the other; all of them unless named."""
    for name in CASES if names is None else names:
        yield CASES[name](seed=seed, noise_mm=noise_mm, rim=rim)
