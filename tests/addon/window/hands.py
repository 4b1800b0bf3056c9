"""What the window sessions share that work with brushes: buttons and strokes as a person gives them."""

import numpy as np
from driver import in_view, viewport


def press(operator, **settings):
    """Press a button; unlike another call of a script it leaves an undo step, as a click does."""
    with in_view():
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


def along(first, last, degrees=0.0):
    """A line along the tube."""
    return [place(z, degrees) for z in np.linspace(first, last, 14)]
