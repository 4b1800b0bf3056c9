"""What a job says about where the shape comes from, as ``report.json`` holds it."""

from dataclasses import asdict
from typing import Any

from gaploft.job_sources import WaySettings
from gaploft.ways.model import Compared


def ways_job(ways: WaySettings, compared: Compared | None) -> dict[str, Any]:
    """Settings of all ways as plain values, in mm; each None where the job has none.

    Of files and folders there are the names alone: where they lie is nobody else's business, and would make
    two reports of one job differ.
    """
    donor = None if ways.donor is None else {"file": _donor_file(compared), **asdict(ways.donor)}
    shelf = None if ways.shelf is None else {**asdict(ways.shelf), "folder": ways.shelf.folder.name}
    return {
        "donor": donor,
        "mirror": None if ways.mirror is None else asdict(ways.mirror),
        "shelf": shelf,
        "use": ways.use,
        "regions": [[region.from_mm, region.to_mm, region.use] for region in ways.regions],
    }


def _donor_file(compared: Compared | None) -> str | None:
    """Name of the donor's scan, which is the label of its way once that was gone."""
    ways = () if compared is None else compared.ways
    return next((way.label for way in ways if way.name == "donor"), None) or None
