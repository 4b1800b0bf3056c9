"""The outcome of one job, as the report and every caller sees it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.assess import Assessed
from gaploft.evidence.model import Evidence
from gaploft.evidence.reseat import HalvesFit
from gaploft.job import Job
from gaploft.laminate.model import Bed, Wall
from gaploft.laminate.patch_model import PatchBed, PatchWall
from gaploft.laminate.plies import PlyBook
from gaploft.laminate.reach import Reach
from gaploft.patch.rebuilt import PatchStage
from gaploft.scan.frame import Frame
from gaploft.scan.model import Note, ScanSource
from gaploft.target.layers import LayerMap
from gaploft.target.model import Target
from gaploft.target.patch_layers import PatchLayers
from gaploft.target.places import Places
from gaploft.tube.model import TubePoints
from gaploft.ways.model import Compared

Verdict = Literal["ready", "check", "refused"]


@dataclass(frozen=True)
class Stages:
    """What the stages of one rebuild left, for a later one with other settings to start from.

    ``notes`` tell of the scan and its tube. ``fitted`` and ``judged`` are None where the work did not get
    that far. ``frame`` is that of the machine, where one was asked for. ``tube``, ``fitted`` and ``judged``
    are those of the way that is used; ``compared`` has all ways side by side. A patch has ``patch``
    instead of all these.
    """

    job: Job
    source: ScanSource
    notes: tuple[Note, ...]
    tube: TubePoints | None
    fitted: HalvesFit | None = None
    judged: Assessed | None = None
    frame: Frame | None = None
    compared: Compared | None = None
    patch: PatchStage | None = None


@dataclass(frozen=True)
class Shop:
    """What the workshop gets beside the target, all in the scan's frame.

    ``wall``, ``bed``, ``plies`` and ``reach`` are None where they were not asked for, or can't be had.
    ``places`` are stations and angles on the rebuilt surface, ``flanks`` points and normals, (n, 3) each, of
    intact tube beyond the target.
    """

    places: Places
    layers: LayerMap
    flanks: tuple[NDArray[np.float64], NDArray[np.float64]]
    wall: Wall | None = None
    bed: Bed | None = None
    plies: PlyBook | None = None
    reach: Reach | None = None


@dataclass(frozen=True)
class PatchShop:
    """The same of a patch, which has no stations and angles."""

    layers: PatchLayers
    flanks: tuple[NDArray[np.float64], NDArray[np.float64]]
    wall: PatchWall | None = None
    bed: PatchBed | None = None
    plies: PlyBook | None = None
    reach: Reach | None = None


@dataclass(frozen=True)
class Rebuild:
    """The outcome of one job.

    ``target`` is None exactly when ``verdict`` is "refused"; ``evidence`` may then be None too,
    when the work stopped before there was any. ``warnings`` then hold the reason. Everything is in the
    scan's frame; ``frame`` is the one that files are to be written in, where that is another.
    """

    job: Job
    source: ScanSource
    evidence: Evidence | None
    target: Target | None
    verdict: Verdict
    warnings: tuple[Note, ...]
    seconds: Mapping[str, float] = field(default_factory=dict)
    stages: Stages | None = None
    shop: Shop | PatchShop | None = None
    frame: Frame | None = None
