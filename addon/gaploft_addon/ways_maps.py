"""Maps on a rebuilt surface: how far its shape was changed to meet the flanks, and how far other ways are."""

from gaploft.ways.choose import heights_of

from .shown_values import CORRECTION, DIFFERENCE


def maps_of(rebuilt):
    """Values in mm at a target's vertices by the attributes that hold them; may be called in a thread.

    The correction is positive where the surface lies outside the part that it was taken from, a difference
    where the other way's surface lies outside the one that is used.
    """
    stages, target = rebuilt.stages, rebuilt.target
    if stages is None or stages.compared is None or target is None or target.uv is None:
        return {}
    fit, sides = stages.fitted.fit, stages.compared
    u, v = target.uv.T
    maps = {
        DIFFERENCE.format(way=way.name): heights_of(way.fitted.fit.surface, fit.surface, u, v)
        for way in sides.ways
        if way.usable and way.name != sides.used
    }
    if fit.shape is not None:
        maps[CORRECTION] = -heights_of(fit.shape.surface, fit.surface, u, v)
    return maps
