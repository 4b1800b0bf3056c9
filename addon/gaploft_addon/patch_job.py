"""The patch that a damage asks for, as the library takes it, and what it was built with."""

import json

import numpy as np

from gaploft.errors import InputError
from gaploft.job_patch import PATCH_USES, Crease, PatchSettings

from . import curve_io, mesh_io
from .shop_job import plain
from .words import told

#: Places are kept no finer than this many decimals of a millimetre: matrices are single precision.
DECIMALS = 3
#: What a mesh knows of the guides that it passes through, as JSON.
GUIDES = "gaploft_guides_mm"


def patch_of(scene, damage) -> PatchSettings:
    """When a patch is made, and what it is to honour. Raises InputError."""
    patch = damage.patch
    use = patch.use.lower()
    if use == "never":  # what is on the lists waits
        return PatchSettings(use)
    return PatchSettings(
        use=use,
        creases=tuple(
            Crease(_rounded(line), plain(crease.radius_mm))
            for crease in patch.creases
            for line in curve_io.lines_mm(scene, _curve(patch, crease))
        ),
        guides_mm=guides_of(scene, damage),
    )


def guides_of(scene, damage):
    """Places that the patch is to pass through, (k, 3) mm in the scan's own frame; None without any."""
    guides = [_rounded(mesh_io.mark_mm(scene, mark)) for mark in marks_of(damage)]
    return np.array(guides) if guides else None


def marks_of(damage):
    """The marks of its guides that are still there."""
    patch = damage.patch
    return [mark for mark in (patch.live(guide.mark) for guide in patch.guides) if mark is not None]


def write_guides(mesh, guides_mm):
    """Let a mesh know the guides that it passes through, (k, 3) mm or None."""
    mesh[GUIDES] = json.dumps([] if guides_mm is None else np.asarray(guides_mm).tolist())


def guides_on(obj):
    """The guides that a surface passes through, (k, 3) mm; None without any."""
    places = json.loads(obj.data.get(GUIDES, "[]"))
    return np.array(places) if places else None


def same_guides(one, other):
    """Whether two lists of guides, each (k, 3) mm or None, are alike."""
    a, b = (np.empty((0, 3)) if guides is None else guides for guides in (one, other))
    return a.shape == b.shape and np.allclose(a, b, rtol=1e-5, atol=2.0 * 10.0**-DECIMALS)


def _curve(patch, crease):
    curve = patch.live(crease.curve)
    if curve is None:
        raise InputError(told("the curve of a crease is gone: choose one, or take the crease off the list"))
    return curve


def _rounded(places):
    return np.round(places, DECIMALS) + 0.0


def patch_key(settings):
    """All of this as numbers, to tell whether it changed; nothing where nothing is asked for."""
    guides = np.empty((0, 3)) if settings.guides_mm is None else settings.guides_mm
    if settings.use == "auto" and not settings.creases and not len(guides):
        return []
    key = [float(PATCH_USES.index(settings.use)), len(guides), *np.ravel(guides)]
    for crease in settings.creases:
        key += [crease.radius_mm, len(crease.points_mm), *np.ravel(crease.points_mm)]
    return key
