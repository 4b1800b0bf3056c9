"""The shop's shelf between Blender and the library: searching it for a broken tube, putting tubes on it."""

from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from gaploft.donor.flanks import flanks_of
from gaploft.errors import InputError
from gaploft.scan.model import ScanSource
from gaploft.shelf.store import ENDING
from gaploft.tube.find import find_tubes
from gaploft.ways.model import ShelfCandidate, ShelfFound
from gaploft.ways.onto_shelf import entry_path, find_on_shelf, put_intact, put_rebuilt

from . import export_task, task, ways_job
from .raw_scan import RawScan
from .target_io import target_of
from .words import told

#: A tube of the shelf that is further off the intact flanks is another one, mm (common practice, no source).
FITS_MM = 0.1


@dataclass(frozen=True)
class Search:
    """All that one search needs, taken out of Blender before the work begins."""

    of: task.Task
    folder: Path
    mirrored: bool

    @property
    def uid(self):
        """Number of the damage."""
        return self.of.uid

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread."""
        tube = self.of.tube(progress)
        with threadpool_limits(limits=1, user_api="blas"):
            found = find_on_shelf(self.folder, flanks_of(tube), mirrored=self.mirrored, progress=progress)
        return ShelfFound(
            tuple(
                ShelfCandidate(c.name, c.path.name, c.misfit_mm, c.where.mirrored) for c in found.candidates
            ),
            found.searched,
            found.too_short,
            found.skipped,
        )


def search_of(scene, damage):
    """Take a search out of a scene. Raises InputError."""
    folder = ways_job.shelf_folder(scene)
    return Search(task.tube_task_of(scene, damage), folder, damage.ways.shelf_mirrored)


def fits(found):
    """Whether any tube of a search, as JSON has it, is this one."""
    return any(candidate["misfit_mm"] <= FITS_MM for candidate in found["candidates"])


def figures(found):
    """What there is to tell of a search, as JSON knows it."""
    return asdict(found)


def entry_of(candidate):
    """The name by which a job asks for a candidate."""
    return candidate["file"].removesuffix(ENDING)


@dataclass(frozen=True)
class PutRebuilt:
    """A finished rebuild that is put on the shelf."""

    finished: task.Finished
    folder: Path
    name: str
    made: date

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread. Raises InputError."""
        rebuilt = self.finished.rebuilt(progress)
        if rebuilt is None:
            raise InputError(told("the surface is of a rebuild that can't be had again: rebuild it first"))
        stages = rebuilt.stages
        if stages.compared is None:
            raise InputError(
                told("a patch is no tube, so it can't go on the shelf: choose a damage of a tube")
            )
        if stages.compared.mixed:
            raise InputError(
                told("a surface mixed of several ways can't go on the shelf: remove the regions and rebuild")
            )
        with threadpool_limits(limits=1, user_api="blas"):
            return put_rebuilt(
                self.folder,
                self.name,
                stages.fitted.fit,
                stages.judged,
                _named(rebuilt.source),
                made=self.made,
            )


@dataclass(frozen=True)
class PutDonor:
    """The intact tube of a spare section that is put on the shelf, as it was scanned."""

    donor: RawScan
    near_mm: tuple | None
    folder: Path
    name: str
    made: date

    def run(self, progress):
        """Do the work; touches nothing of Blender, so it may run in a thread. Raises InputError."""
        scan = self.donor.mended(progress)
        near = None if self.near_mm is None else np.array(self.near_mm)
        with threadpool_limits(limits=1, user_api="blas"):
            tube = find_tubes(scan, near_mm=near, progress=progress)[0]
            return put_intact(self.folder, self.name, tube, _named(scan.source), made=self.made)


def _named(source: ScanSource) -> ScanSource:
    """The source under a name that has no folders in it, as those of objects may."""
    return replace(source, file=source.file.replace("/", "_").replace("\\", "_") or told("scan"))


def put_of(scene, damage, what, name):
    """Take what is to be put on the shelf out of a scene. Raises InputError."""
    folder, name = ways_job.shelf_folder(scene), name.strip()
    if entry_path(folder, name).exists():
        raise InputError(
            told("'{name}' lies on the shelf already: give the tube another name").format(name=name)
        )
    if what == "DONOR":
        return _donor_put(scene, damage, folder, name)
    if damage.surface is None:
        raise InputError(told("there is no rebuilt surface to put on the shelf: rebuild it first"))
    export_task.refuse_unfit(scene, damage)
    surface, changes, _, _ = target_of(damage)
    if changes.changed:
        raise InputError(
            told("the surface was changed by hand, which the shelf can't carry: give the changes back first")
        )
    return PutRebuilt(task.finished(scene, damage, surface), folder, name, date.today())


def _donor_put(scene, damage, folder, name):
    donor = ways_job.donor_scan(scene, damage)
    if donor is None:
        raise InputError(told("no spare section is chosen: import its scan, or choose a mesh"))
    marks = ways_job.marks_mm(scene, damage.ways)
    return PutDonor(donor, None if marks is None else marks[1], folder, name, date.today())
