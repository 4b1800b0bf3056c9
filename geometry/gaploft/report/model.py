"""The outcome of one job, as the report and every caller sees it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from gaploft.evidence.model import Evidence
from gaploft.job import Job
from gaploft.scan.model import Note, ScanSource
from gaploft.target.model import Target

Verdict = Literal["ready", "check", "refused"]


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
