"""The machine's frame: marks in the scene as the library takes them, and what was found of it."""

import json
from dataclasses import dataclass

import numpy as np

from gaploft.errors import InputError
from gaploft.job import FrameSettings
from gaploft.report.numbers import frame_numbers
from gaploft.scan.frame import Frame
from gaploft.scan.sphere_frame import fit_frame

from . import mesh_io
from .alive import alive
from .shop_job import plain
from .words import told


@dataclass(frozen=True)
class FrameTask:
    """All that finding the frame needs, taken out of Blender before the work begins."""

    vertices: np.ndarray
    mm_per_unit: float
    settings: FrameSettings

    def run(self, _progress=None):
        """Find the frame; touches nothing of Blender, so it may run in a thread. Raises InputError."""
        return fit_frame(
            self.vertices * self.mm_per_unit,
            points_mm=self.settings.points_mm,
            spheres_mm=self.settings.spheres_mm,
            radius_mm=self.settings.radius_mm,
            at_mm=self.settings.at_mm,
        )


def settings_of(scene):
    """What is asked for, or None where files stay in the scan's frame. Raises InputError."""
    machine = scene.gaploft.machine
    if machine.kind == "SCAN":
        return None
    marks = [alive(scene, entry.mark) for entry in machine.marks]
    count = sum(mark is not None for mark in marks)
    if machine.kind == "POINTS" and count != 3:
        text = told("the machine's frame takes three points, and {count} are marked: mark origin, x and y")
        raise InputError(text.format(count=count))
    if count < max(3, len(marks)):
        text = told("the machine's frame takes three spheres or more, and {count} are marked: mark them all")
        raise InputError(text.format(count=count))
    places = np.array([mesh_io.mark_mm(scene, mark) for mark in marks])
    if machine.kind == "POINTS":
        return FrameSettings(points_mm=places)
    known = machine.places == "KNOWN"
    at = np.array([[plain(x) for x in entry.at_mm] for entry in machine.marks]) if known else None
    return FrameSettings(spheres_mm=places, radius_mm=plain(machine.radius_mm) or None, at_mm=at)


def task_of(scene):
    """The work of finding the frame, or None where files stay in the scan's. Raises InputError."""
    settings = settings_of(scene)
    if settings is None:
        return None
    scan = scene.gaploft.live("scan")
    if scan is None:
        raise InputError(told("the scan is gone, and the machine's frame is marked in it: import it again"))
    vertices, _ = mesh_io.scan_arrays(scan)
    return FrameTask(vertices, mesh_io.unit_of(scene)[1], settings)


def key_of(settings):
    """What is asked for as a list of numbers, to tell whether it was changed since."""
    parts = (settings.points_mm, settings.spheres_mm, settings.at_mm)
    numbers = [float(x) for part in parts if part is not None for x in np.ravel(part)]
    return [*numbers, settings.radius_mm or 0.0]


def keep(scene, settings, frame: Frame):
    """Put what was found into the scene, to be shown and saved."""
    found = {"key": key_of(settings), "summary": numbers_of(frame, settings)}
    scene.gaploft.machine.found = json.dumps(found)


def numbers_of(frame, settings):
    """What the report tells of a frame."""
    numbers = frame_numbers(frame)
    spheres = [{**sphere, "nominal_radius_mm": settings.radius_mm} for sphere in numbers["spheres"]]
    return {**numbers, "spheres": spheres}


def found(scene):
    """What was found of the frame as it is marked now, as a dict; None where it was not looked for."""
    text = scene.gaploft.machine.found
    if not text:
        return None
    try:
        settings = settings_of(scene)
    except InputError:
        return None
    known = json.loads(text)
    key = [] if settings is None else key_of(settings)
    same = len(key) == len(known["key"]) and np.allclose(key, known["key"], rtol=1e-6, atol=1e-3)
    return known["summary"] if same and key else None
