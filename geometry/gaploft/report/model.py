"""The outcome of one job, as the report and every caller sees it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from gaploft.evidence.assess import Assessed
from gaploft.evidence.model import Evidence
from gaploft.evidence.reseat import HalvesFit
from gaploft.job import Job
from gaploft.scan.model import Note, ScanSource
from gaploft.target.model import Target
from gaploft.tube.model import TubePoints

Verdict = Literal["ready", "check", "refused"]


@dataclass(frozen=True)
class Stages:
    """What the stages of one rebuild left, for a later one with other settings to start from.

    ``notes`` tell of the scan and its tube. ``fitted`` and ``judged`` are None where the work did not get
    that far.
    """

    job: Job
    source: ScanSource
    notes: tuple[Note, ...]
    tube: TubePoints
    fitted: HalvesFit | None = None
    judged: Assessed | None = None


@dataclass(frozen=True)
class Rebuild:
    """The outcome of one job.

    ``target`` is None exactly when ``verdict`` is "refused"; ``evidence`` may then be None too,
    when the work stopped before there was any. ``warnings`` then hold the reason.
    """

    job: Job
    source: ScanSource
    evidence: Evidence | None
    target: Target | None
    verdict: Verdict
    warnings: tuple[Note, ...]
    seconds: Mapping[str, float] = field(default_factory=dict)
    stages: Stages | None = None
