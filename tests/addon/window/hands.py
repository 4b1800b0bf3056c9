"""What the window sessions share that work with brushes: buttons, strokes and keys as a person gives them."""

import os
import sys
import traceback

import bpy
import numpy as np


def viewport():
    """Window, area and main region of the 3D viewport."""
    window = bpy.context.window_manager.windows[0]
    area = next(a for a in window.screen.areas if a.type == "VIEW_3D")
    return window, area, next(r for r in area.regions if r.type == "WINDOW")


def press(operator, **settings):
    """Press a button; unlike another call of a script it leaves an undo step, as a click does."""
    window, area, region = viewport()
    with bpy.context.temp_override(window=window, area=area, region=region):
        assert operator("EXEC_DEFAULT", True, **settings) == {"FINISHED"}
    yield 0.5


def place(z, degrees):
    """Where a point on the tube lies in the window; the view looks along -X."""
    from bpy_extras.view3d_utils import location_3d_to_region_2d

    _, area, region = viewport()
    angle = np.radians(degrees)
    point = (15.0 * np.cos(angle), 15.0 * np.sin(angle), z)
    found = location_3d_to_region_2d(region, area.spaces.active.region_3d, point)
    return round(region.x + found.x), round(region.y + found.y)


def stroke(points):
    """Draw with the left button through points of the window."""
    window, *_ = viewport()
    for k, (x, y) in enumerate([points[0], *points, points[-1]]):
        window.event_simulate(type="MOUSEMOVE", value="NOTHING", x=x, y=y)
        yield 0.1 if k == 0 else 0.03
        if k in (0, len(points)):
            value = "PRESS" if k == 0 else "RELEASE"
            window.event_simulate(type="LEFTMOUSE", value=value, x=x, y=y)
            yield 0.05
    yield 0.4


def key(name, **held):
    """A key over the middle of the viewport."""
    window, _, region = viewport()
    x, y = region.x + region.width // 3, region.y + region.height // 2
    window.event_simulate(type="MOUSEMOVE", value="NOTHING", x=x, y=y)
    yield 0.2
    for value in ("PRESS", "RELEASE"):
        window.event_simulate(type=name, value=value, x=x, y=y, **held)
    yield 0.8


def along(first, last, degrees=0.0):
    """A line along the tube."""
    return [place(z, degrees) for z in np.linspace(first, last, 14)]


def take(session):
    """Take the steps of a session with a timer, then end Blender: with 1 when anything fails."""

    def turn():
        try:
            return next(session)
        except StopIteration:
            code = 0
        except BaseException:  # noqa: BLE001 - whatever it is, Blender has to end with 1
            traceback.print_exc()
            code = 1
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)

    bpy.app.timers.register(turn, first_interval=1.0, persistent=True)
