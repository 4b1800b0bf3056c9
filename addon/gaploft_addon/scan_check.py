"""Looking through a scan before any work, in the background: what is wrong with it."""

import json
from dataclasses import dataclass

import bpy
import numpy as np

from gaploft.errors import Cancelled, GeometryError
from gaploft.scan.findings import scan_findings
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import ScanSource

from . import mesh_io
from .background import redraw_sidebars
from .worker import Worker

#: How often news of the work is asked for, seconds.
ASKED_S = 0.2


@dataclass(frozen=True)
class Look:
    """All that a look at one scan needs, taken out of Blender before the work begins."""

    vertices: np.ndarray
    faces: np.ndarray
    source: ScanSource
    mm_per_unit: float

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread. What was found, as a dict."""
        found = {"points": len(self.vertices), "mm_per_unit": self.mm_per_unit, "notes": [], "error": None}
        try:
            scan = scan_from_arrays(
                self.vertices,
                self.faces,
                mm_per_unit=self.mm_per_unit,
                source=self.source,
                progress=progress,
            )
        except GeometryError as error:
            return {**found, "error": str(error)}
        notes = scan_findings(scan, progress=progress)
        return {**found, "notes": [{"code": note.code, "text": note.text} for note in notes]}


@dataclass
class Background:
    """The look that runs, if any, in which scene, and how far it is."""

    worker: Worker | None = None
    scene_name: str = ""
    share: float = 0.0


AT_WORK = Background()


def look_at(scene, scan):
    """Take a scan out of a scene, ready to be looked through."""
    vertices, faces = mesh_io.scan_arrays(scan)
    unit, mm_per_unit = mesh_io.unit_of(scene)
    source = ScanSource(scan.name, "", unit, len(vertices), len(faces))
    return Look(vertices, faces, source, mm_per_unit)


def keep(scene, found):
    """Put what was found into the scene, to be shown and saved."""
    scene.gaploft.scan_findings = json.dumps(found)


def findings(scene, scan):
    """What was found of a scan, as a dict, or None when it was not looked at as it is now."""
    text = scene.gaploft.scan_findings
    found = json.loads(text) if text else None
    now = {"points": len(scan.data.vertices), "mm_per_unit": mesh_io.unit_of(scene)[1]}
    return found if found and all(found[name] == value for name, value in now.items()) else None


def running():
    """Whether a scan is being looked through."""
    return AT_WORK.worker is not None


def start(scene, scan):
    """Look a scan through in the background, in the place of any other."""
    stop()
    look = look_at(scene, scan)
    AT_WORK.worker, AT_WORK.scene_name, AT_WORK.share = Worker(look), scene.name, 0.0
    bpy.app.timers.register(_ask, first_interval=ASKED_S)


def stop(*_):
    """Drop the look that runs."""
    if bpy.app.timers.is_registered(_ask):
        bpy.app.timers.unregister(_ask)
    if AT_WORK.worker is not None:
        AT_WORK.worker.stop()
        AT_WORK.worker = None


def _ask():
    """See how far the work is; Blender calls this until it gets None."""
    worker = AT_WORK.worker
    redraw_sidebars()
    if worker.busy:
        news = worker.latest()
        AT_WORK.share = AT_WORK.share if news is None else news[1]
        return ASKED_S
    AT_WORK.worker = None
    scene = bpy.data.scenes.get(AT_WORK.scene_name)
    if isinstance(worker.outcome, dict) and scene is not None:
        keep(scene, worker.outcome)
    elif isinstance(worker.outcome, BaseException) and not isinstance(worker.outcome, Cancelled):
        raise worker.outcome
    return None


@bpy.app.handlers.persistent
def _on_load(_file):
    """A file that is opened has other scans."""
    stop()


def register():
    """Watch files being opened."""
    bpy.app.handlers.load_pre.append(_on_load)


def unregister():
    """Watch no more, and drop what runs."""
    bpy.app.handlers.load_pre.remove(_on_load)
    stop()
