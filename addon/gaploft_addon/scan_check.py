"""Looking through a scan before any work, in the background: what is wrong with it, and thinned points."""

import json
import zlib
from dataclasses import dataclass, field

import bpy
import numpy as np

from gaploft.errors import Cancelled, GeometryError
from gaploft.scan.findings import scan_findings
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import Note, ScanSource
from gaploft.tube.cloud import Cloud, thinned_cloud

from . import mesh_io
from .worker import Worker

#: How often news of the work is asked for, seconds.
ASKED_S = 0.2


@dataclass(frozen=True)
class Checked:
    """What was found: notes, or the sentence of a refusal; the thinned points serve the pointer."""

    key: tuple
    notes: tuple[Note, ...]
    error: str | None
    cloud: Cloud | None


@dataclass(frozen=True)
class Look:
    """All that a look at one scan needs, taken out of Blender before the work begins."""

    key: tuple
    vertices: np.ndarray
    faces: np.ndarray
    source: ScanSource
    mm_per_unit: float

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread."""
        try:
            scan = scan_from_arrays(
                self.vertices,
                self.faces,
                mm_per_unit=self.mm_per_unit,
                source=self.source,
                progress=progress,
            )
        except GeometryError as error:
            return Checked(self.key, (), str(error), None)
        notes = scan_findings(scan, progress=progress)
        return Checked(self.key, notes, None, thinned_cloud(scan.vertices_mm, scan.normals))


@dataclass
class Background:
    """The look that runs, if any, and the outcome of the last one: both are gone with the session."""

    worker: Worker | None = None
    scene_name: str = ""
    share: float = 0.0
    last: Checked | None = field(default=None, repr=False)


AT_WORK = Background()


def look_at(scene, scan):
    """Take a scan out of a scene, ready to be looked through."""
    vertices, faces = mesh_io.scan_arrays(scan)
    unit, mm_per_unit = mesh_io.unit_of(scene)
    source = ScanSource(scan.name, "", unit, len(vertices), len(faces))
    return Look(_key(vertices, faces, mm_per_unit), vertices, faces, source, mm_per_unit)


def _key(vertices, faces, mm_per_unit):
    """What a scan is known by again; a sum over its bytes, since a mesh can be changed point by point."""
    return zlib.crc32(vertices), len(vertices), len(faces), mm_per_unit


def known(look):
    """The outcome for this very scan, when it was the last one looked through; else None."""
    last = AT_WORK.last
    return last if last is not None and last.key == look.key else None


def keep(scene, checked):
    """Put an outcome into the scene, to be shown and saved."""
    AT_WORK.last = checked
    notes = [{"code": note.code, "text": note.text} for note in checked.notes]
    found = {"points": checked.key[1], "mm_per_unit": checked.key[3], "notes": notes, "error": checked.error}
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
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()
    if worker.busy:
        news = worker.latest()
        AT_WORK.share = AT_WORK.share if news is None else news[1]
        return ASKED_S
    AT_WORK.worker = None
    scene = bpy.data.scenes.get(AT_WORK.scene_name)
    if isinstance(worker.outcome, Checked) and scene is not None:
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
