"""One broken tube and one donor for it: rebuilt from its flanks, and from the donor, and measured."""

import time
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

import measuring  # noqa: F401  # isort: skip - puts the tests' folders on the path

from cases import families_of
from donors import DonorScan, donor_of
from error_measure import surface_error
from gaploft.errors import GeometryError
from gaploft.job import Damage, Job, TargetSettings
from gaploft.job_sources import DonorSettings, WaySettings
from gaploft.pipeline import rebuild, rebuild_changed
from gaploft.report.model import Rebuild
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import Scan, ScanSource
from lofted import BrokenTube, broken_tube, lofted_tube
from ours import CHORD_MM, _against_band
from symmetries import moved
from truth_points import truth_points

NOISE_MM = 0.02
#: How a donor differs from the broken tube beside pose, cut and noise: what ``donor_of`` is called with.
DONORS: dict[str, dict[str, Any]] = {
    "same": {},
    "painted": {"paint_mm": 0.08},
    "larger": {"scale": 1.002},
    "bent": {"sag_mm": 0.3},
    "mirrored": {"mirrored": True},
    "stickers": {"stickers": 2, "sticker_mm": 0.1, "cable_stops": 2, "holes": 6},
}
#: How far off a mark is clicked, and where it is: so far beside the gap (mm), at this share of a turn.
_CLICKED_MM, _BESIDE_MM, _MARK_AT = 0.5, 25.0, 0.1


def rebuilt(broken: BrokenTube, donor: DonorScan, way: str) -> Rebuild:
    """One rebuild from arrays; ``way`` is "donor" or "marked" (a donor with a mark)."""
    mark = _mark(broken, donor) if way == "marked" else None
    ways = WaySettings(donor=DonorSettings(mirrored=donor.mirrored, mark_mm=mark))
    job = Job(
        Damage(broken.from_mm, broken.to_mm, broken.damaged),
        TargetSettings(chord_tolerance_mm=CHORD_MM),
        ways=ways,
    )
    scan = _as_scan("broken", broken.vertices, broken.faces)
    return rebuild(scan, job, donor=_as_scan("donor", donor.vertices, donor.faces))


def by_loft(outcome: Rebuild) -> Rebuild:
    """The same job from its flanks alone, which was tried beside the donor."""
    assert outcome.stages is not None
    ways = replace(outcome.job.ways, use="loft")
    return rebuild_changed(outcome.stages, replace(outcome.job, ways=ways))


def _as_scan(name: str, vertices: np.ndarray, faces: np.ndarray) -> Scan:
    source = ScanSource(name, "", "mm", len(vertices), len(faces))
    return scan_from_arrays(vertices, faces, mm_per_unit=1.0, source=source)


def _mark(broken: BrokenTube, donor: DonorScan) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """One place seen on both scans, each clicked a little off."""
    rng = np.random.default_rng(17)
    at = np.array([broken.gap_mm[0] - _BESIDE_MM])
    place, _ = broken.tube.evaluate(at, np.array([_MARK_AT]))
    off = rng.normal(0.0, _CLICKED_MM / np.sqrt(3.0), (2, 3))
    on_tube = broken.turn.apply(place)[0] + broken.shift + off[0]
    return tuple(on_tube.tolist()), tuple((moved(donor.from_tube, place)[0] + off[1]).tolist())


@dataclass(frozen=True)
class Case:
    """One broken tube and one donor for it."""

    family: str
    variant: int
    seed: int
    donor: str
    diameters: float

    def made(self) -> tuple[BrokenTube, DonorScan]:
        """Loft and scan both."""
        diameter = lofted_tube(self.family, variant=self.variant).perimeter_mm / np.pi
        gap = round(self.diameters * diameter, 1)
        broken = broken_tube(self.family, gap, self.seed, variant=self.variant, noise_mm=NOISE_MM)
        return broken, donor_of(broken, self.seed, noise_mm=NOISE_MM, **DONORS[self.donor])


def rows_of(case: Case) -> list[dict[str, Any]]:
    """The rows of one case: loft, donor and, where that was refused for want of one, with a mark."""
    broken, donor = case.made()
    half = "development" if case.family in families_of("development") else "kept out"
    about = {
        "half": half,
        "family": case.family,
        "variant": case.variant,
        "seed": case.seed,
        "gap_mm": broken.gap_mm[1] - broken.gap_mm[0],
        "donor": case.donor,
    }
    rows = []
    for way in ("donor", "marked"):
        started = time.perf_counter()
        try:
            outcome = rebuilt(broken, donor, way)
        except GeometryError as error:
            return [*rows, about | {"way": way, "verdict": "refused", "note": str(error)}]
        seconds = time.perf_counter() - started
        if way == "donor":
            rows.append(about | {"way": "loft"} | measured(broken, by_loft(outcome)))
        rows.append(
            about | {"way": way, "seconds": seconds} | measured(broken, outcome) | placing(donor, outcome)
        )
        if rows[-1]["verdict"] != "refused":
            break
    return rows


def measured(broken: BrokenTube, outcome: Rebuild) -> dict[str, Any]:
    """Errors over the gap, and against the band that was claimed."""
    codes = "; ".join(note.code for note in outcome.warnings)
    if outcome.target is None:
        return {"verdict": outcome.verdict, "note": outcome.warnings[-1].text if outcome.warnings else ""}
    target = outcome.target
    error = surface_error(truth_points(broken), target.vertices_mm, target.triangles)
    return {"verdict": outcome.verdict, **asdict(error), **_against_band(broken, target), "note": codes}


def placing(donor: DonorScan, outcome: Rebuild) -> dict[str, Any]:
    """How far the donor was placed from where it belongs, and how much its shape was changed."""
    assert outcome.stages is not None
    assert outcome.stages.compared is not None
    way = outcome.stages.compared.way("donor")
    found: dict[str, Any] = {}
    if way.placed is not None:
        matrix = np.array(way.placed.matrix)
        if donor.mirrored:
            # the library mirrors a donor in its own x = 0 before it places it
            matrix = matrix @ np.diag([-1.0, 1.0, 1.0, 1.0])
        mm, deg = donor.motion_error(matrix)
        found |= {"placed_mm": mm, "placed_deg": deg, "misfit_mm": way.placed.misfit_mm}
    if way.correction is not None:
        found |= {"correction_max_mm": way.correction.max_mm, "correction_rms_mm": way.correction.rms_mm}
    return found if way.refused is None else found | {"note": way.refused}
