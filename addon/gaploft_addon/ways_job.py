"""Where the lost shape of a damage is to come from, as the library takes it, and what it was built from."""

import os
import zlib
from pathlib import Path

import bpy

from gaploft.errors import InputError
from gaploft.job_sources import DonorSettings, MirrorSettings, Region, ShelfSettings, WaySettings
from gaploft.shelf.store import ENDING

from . import mesh_io
from .raw_scan import raw_scan
from .shop_job import plain
from .ways_state import CHOICES, WAYS
from .words import told

#: Places are kept no finer than this many decimals of a millimetre: matrices are single precision.
DECIMALS = 3


def ways_of(scene, damage) -> WaySettings:
    """The ways that a damage asks for; the plain one where none is switched on. Raises InputError."""
    ways = damage.ways
    if not ways.asked:
        return WaySettings()
    for wanted in (ways.use, *(region.use for region in ways.regions)):
        if wanted not in {"BEST", "LOFT", *ways.asked}:
            text = told("'{way}' is to be used and is switched off: switch it on, or use another way")
            raise InputError(text.format(way=_title(wanted)))
    return WaySettings(
        donor=_donor(scene, damage) if ways.donor_on else None,
        mirror=_mirror(scene, ways) if ways.mirror_on else None,
        shelf=_shelf(scene, ways) if ways.shelf_on else None,
        use=ways.use.lower(),
        regions=tuple(_region(region) for region in ways.regions),
    )


def _title(key):
    return next(told(name) for way, name, _ in CHOICES if way == key)


def _donor(scene, damage):
    ways = damage.ways
    donor = ways.live("donor")
    if donor is None:
        raise InputError(
            told("a spare section is to be used and none is chosen: import its scan, or choose a mesh")
        )
    if donor == scene.gaploft.scan or damage.holds_result(donor):
        text = told("'{name}' is no spare section but of the broken tube: choose the scan of another part")
        raise InputError(text.format(name=donor.name))
    return DonorSettings(
        mirrored=ways.donor_mirrored, mark_mm=marks_mm(scene, ways), limit_mm=plain(ways.donor_limit_mm)
    )


def marks_mm(scene, ways):
    """One place on both tubes, each in the frame of its own scan; None while it is not marked on both."""
    scan = scene.gaploft.live("scan")
    pairs = ((scan, ways.live("mark_on_tube")), (ways.live("donor"), ways.live("mark_on_donor")))
    if any(obj is None or mark is None for obj, mark in pairs):
        return None
    on_tube, on_donor = (
        _point(mesh_io.to_own_mm(obj, scene, mark.matrix_world.translation)) for obj, mark in pairs
    )
    return on_tube, on_donor


def _mirror(scene, ways):
    plane = ways.live("mirror_plane")
    limit_mm = plain(ways.mirror_limit_mm)
    if plane is None:
        return MirrorSettings(limit_mm=limit_mm)
    place, normal = mesh_io.plane_mm(scene.gaploft.scan, scene, plane)
    return MirrorSettings((_point(place), _point(normal, 6)), limit_mm=limit_mm)


def _shelf(scene, ways):
    return ShelfSettings(
        folder=shelf_folder(scene),
        entry=ways.shelf_entry or None,
        mirrored=ways.shelf_mirrored,
        limit_mm=plain(ways.shelf_limit_mm),
    )


def shelf_folder(scene):
    """The folder of the shelf. Raises InputError."""
    named = scene.gaploft.shelf_folder
    if not named:
        raise InputError(told("no shelf is chosen: choose the folder that your known tubes lie in"))
    if named.startswith("//") and not bpy.data.filepath:
        text = told("the shelf {folder} lies beside this file, which was never saved: save it first")
        raise InputError(text.format(folder=named))
    return Path(bpy.path.abspath(named))


def _region(region):
    if not region.from_mm < region.to_mm:
        text = told("a region runs from {first:g} to {last:g} mm: give the lower station first")
        raise InputError(text.format(first=plain(region.from_mm), last=plain(region.to_mm)))
    return Region(plain(region.from_mm), plain(region.to_mm), region.use.lower())


def _point(place, decimals=DECIMALS):
    x, y, z = (round(float(number), decimals) + 0.0 for number in place)
    return x, y, z


def donor_scan(scene, damage):
    """The spare section's scan, taken out of a scene; None where it is not asked for."""
    ways = damage.ways
    donor = ways.live("donor") if ways.donor_on else None
    return None if donor is None else raw_scan(scene, donor)


def shelf_state(settings):
    """What tells one state of a shelf from another: names, sizes and times of the files that count."""
    shelf = settings.shelf
    if shelf is None:
        return ()
    try:
        with os.scandir(shelf.folder) as items:
            files = [(item.name, item.stat()) for item in items if item.name.endswith(ENDING)]
    except OSError:  # the search says so in a sentence
        return ()
    wanted = None if shelf.entry is None else f"{shelf.entry}{ENDING}"
    return tuple(
        sorted((name, s.st_size, s.st_mtime_ns) for name, s in files if wanted is None or name == wanted)
    )


def ways_key(damage, settings):
    """All of this as numbers, to tell whether it changed; nothing where nothing is asked for."""
    if not settings.others:
        return []
    keys = [way for way, *_ in CHOICES]
    key = [float(keys.index(settings.chosen.upper()))]
    for region in settings.regions:
        key += [region.from_mm, region.to_mm, float(keys.index(region.use.upper()))]
    return [*key, *_donor_key(damage, settings.donor), *_mirror_key(settings.mirror), *_shelf_key(settings)]


def _donor_key(damage, donor):
    if donor is None:
        return [0.0]
    mesh = damage.ways.donor.data
    of_mesh = (_number(damage.ways.donor.name), len(mesh.vertices), len(mesh.polygons))
    places = () if donor.mark_mm is None else (*donor.mark_mm[0], *donor.mark_mm[1])
    return [1.0, donor.mirrored, donor.limit_mm, *of_mesh, len(places), *places]


def _mirror_key(mirror):
    if mirror is None:
        return [0.0]
    plane = () if mirror.plane_mm is None else (*mirror.plane_mm[0], *mirror.plane_mm[1])
    return [1.0, mirror.limit_mm, len(plane), *plane]


def _shelf_key(settings):
    shelf = settings.shelf
    if shelf is None:
        return [0.0]
    named = (_number(str(shelf.folder)), _number(shelf.entry or ""))
    return [1.0, shelf.mirrored, shelf.limit_mm, *named]


def _number(text):
    """A number for a text, small enough to be told apart by its share as lengths are."""
    return zlib.crc32(text.encode()) % 50_000


#: The ways by the library's names, with those of the panel.
TITLES = {way.lower(): name for way, name, _ in WAYS}
