"""One rebuild between Blender and the library: what goes in, the work itself, and what comes back."""

import json
import queue
import threading
from dataclasses import dataclass

import numpy as np

from gaploft.errors import Cancelled, InputError
from gaploft.evidence.hand import rim_edges
from gaploft.job import Damage, HalvesSettings, Job, Layers, TargetSettings
from gaploft.pipeline import rebuild
from gaploft.report.numbers import as_dict
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource

from . import draw, mesh_io, surface_io

#: What each choice for the halves asks of the library.
HALVES_SETTINGS = {
    "HOLD": HalvesSettings(),
    "FROM": HalvesSettings("reseat", "from"),
    "TO": HalvesSettings("reseat", "to"),
}


@dataclass(frozen=True)
class Task:
    """All that one rebuild needs, taken out of Blender before the work begins."""

    vertices: np.ndarray
    faces: np.ndarray
    mm_per_unit: float
    source: ScanSource
    job: Job

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread."""
        scan = scan_from_arrays(
            self.vertices, self.faces, mm_per_unit=self.mm_per_unit, source=self.source, progress=progress
        )
        return rebuild(scan, self.job, progress=progress)


def job_of(scene):
    """The job that marks and settings of a scene ask for. Raises InputError."""
    state, scan = scene.gaploft, scene.gaploft.scan
    ends = (
        mesh_io.to_own_mm(scan, scene, mark.matrix_world.translation)
        for mark in (state.mark_from, state.mark_to)
    )
    area = state.live("damaged_area")
    if area is not None and area.get("scan_vertices") != len(scan.data.vertices):
        raise InputError(
            f"'{scan.name}' has {len(scan.data.vertices)} points now, but {area.get('scan_vertices')} when "
            "the damage was marked: mark the damage again"
        )
    return Job(
        damage=Damage(*ends, source_vertices=None if area is None else surface_io.area_vertices(area)),
        target=TargetSettings(
            chord_tolerance_mm=_plain(state.chord_tolerance_mm), overlap_mm=_plain(state.overlap_mm)
        ),
        layers=Layers(paint_mm=_plain(state.paint_mm), cover_mm=_plain(state.cover_mm)),
        halves=HALVES_SETTINGS[state.halves],
    )


def job_key(scene):
    """Damage and settings as a list of numbers, to tell whether they changed since a rebuild."""
    job = job_of(scene)
    damaged = job.damage.source_vertices
    return [
        *job.damage.from_mm,
        *job.damage.to_mm,
        job.target.chord_tolerance_mm,
        job.target.overlap_mm,
        job.layers.paint_mm,
        job.layers.cover_mm,
        mesh_io.unit_of(scene)[1],
        0 if damaged is None else len(damaged),
        list(HALVES_SETTINGS.values()).index(job.halves),
    ]


def is_stale(scene):
    """Whether damage or settings are no longer those of the rebuild. Raises InputError as job_of."""
    state = scene.gaploft
    if not state.marked:
        return False
    now, then = np.array(job_key(scene)), np.array(json.loads(state.built_with))
    if len(now) != len(then):  # a file of an earlier version knows fewer settings
        return True
    # Marks are single precision in world space; nobody moves one by a hundredth on purpose.
    same_settings = np.allclose(now[6:], then[6:], rtol=1e-5, atol=0.0)
    return not (same_settings and np.allclose(now[:6], then[:6], rtol=1e-5, atol=1e-2))


def task_of(scene):
    """Take the scan and the job out of a scene. Raises InputError."""
    scan = scene.gaploft.scan
    vertices, faces = mesh_io.scan_arrays(scan)
    unit, mm_per_unit = mesh_io.unit_of(scene)
    source = ScanSource(
        file=scan.name,
        sha256=mesh_io.fingerprint(vertices, faces),
        unit=unit,
        vertices=len(vertices),
        faces=len(faces),
    )
    return Task(vertices, faces, mm_per_unit, source, job_of(scene))


def keep(scene, outcome):
    """Put the outcome of a rebuild into the scene; return the one sentence of a refusal, or None."""
    state = scene.gaploft
    report = as_dict(outcome, None)
    if outcome.target is not None:
        report["target"]["chord_error_mm"] = outcome.target.chord_error_mm
    state.report = json.dumps(report)
    state.built_with = json.dumps([float(value) for value in job_key(scene)])
    if outcome.target is None:
        draw.remove(state.result)
        return outcome.warnings[-1].text
    rims = rim_edges(outcome.target.quads, outcome.target.zone == 1)
    mesh = surface_io.surface_mesh("Rebuilt Surface", outcome.target, mesh_io.unit_of(scene)[1], rims)
    surface = draw.show_surface(scene, state.scan, mesh)
    surface["verdict"] = outcome.verdict
    surface["gap_mm"] = outcome.evidence.gap.length_mm
    surface["band95_max_mm"] = outcome.evidence.band95_mm.max
    return None


class Worker:
    """A task in a thread of its own, so that Blender stays alive; news of it come in by asking."""

    def __init__(self, task):
        self.outcome = None
        self._news: queue.SimpleQueue = queue.SimpleQueue()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, args=(task,), daemon=True)
        self._thread.start()

    @property
    def busy(self):
        return self._thread.is_alive()

    @property
    def stopping(self):
        return self._stop.is_set()

    def stop(self):
        self._stop.set()

    def wait(self):
        self._thread.join()

    def latest(self):
        """Stage and share of the work since the last call, or None."""
        news = None
        while not self._news.empty():
            news = self._news.get()
        return news

    def _work(self, task):
        def progress(stage, share):
            if self._stop.is_set():
                raise Cancelled
            self._news.put((stage, share))

        try:
            self.outcome = task.run(progress)
        # Whatever it is, it is raised again where Blender can show it.
        except BaseException as error:  # noqa: BLE001
            self.outcome = error


def _plain(value):
    """A setting as typed: 0.005 and not its neighbour in single precision."""
    return float(f"{value:.6g}")
