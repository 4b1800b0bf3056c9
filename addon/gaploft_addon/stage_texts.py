"""What a rebuild is doing, in words and as a share of the whole."""

from gaploft.progress import STAGES

STAGE_TEXTS = {
    "read": "reading the scan",
    "tube": "finding the tube",
    "shelf": "searching the shelf",
    "fit": "fitting the surface",
    "evidence": "testing on blanked stretches",
    "mesh": "making the facets",
    "write": "finishing",
}


#: Stages that only some rebuilds have, by those that they belong to.
WITHIN = {"shelf": "tube"}


def overall(stage, share):
    """Share of the whole work done, each stage counted alike."""
    return (STAGES.index(WITHIN.get(stage, stage)) + share) / len(STAGES)
