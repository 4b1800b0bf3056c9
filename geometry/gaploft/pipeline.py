"""One rebuild from scan to target: the same call for the command line and for Blender."""

from gaploft.job import Job
from gaploft.progress import Progress, silent
from gaploft.report.model import Rebuild
from gaploft.scan.model import Scan


def rebuild(scan: Scan, job: Job, *, progress: Progress = silent) -> Rebuild:
    """Rebuild the outer surface across the damage of one tube."""
    raise NotImplementedError
