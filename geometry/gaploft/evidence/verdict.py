"""The verdict on a rebuild, and the warnings that go with it."""

from dataclasses import dataclass
from math import isnan
from typing import Literal

from gaploft.evidence.model import Evidence, Halves
from gaploft.scan.model import Note

Verdict = Literal["ready", "check", "refused"]

#: Half the repeatability of a machine of the trade is some 0.03 mm; a wall may be 0.4 mm (common practice,
#: no source). A rebuild is trusted as it is within this tolerance.
TOLERANCE_MM = 0.05
#: Beyond this many tolerances nothing is left to machine to: 0.25 mm is most of a thin wall.
REFUSED_TOLERANCES = 5.0
#: What a seam may show before a person has to look at it (common practice, no source).
SEAM_STEP_MM, SEAM_ANGLE_DEG = 0.02, 0.5
#: A half that moved is told when it is off by some five standard uncertainties; breaks leave half a
#: millimetre (common practice, no source).
_TOLD_TIMES, UNSURE_MM = 5.0, 0.1
#: More waves of the tube's own shape than this can't be bridged.
MOST_WAVES = 2.5
#: A strip unseen all along that is wider than this is told.
UNSEEN_DEG = 10.0


@dataclass(frozen=True)
class Words:
    """What sentences call the part, what is blanked of it and what is lost, and what they advise."""

    part: str
    blanks: str
    longest: str
    lost: str
    instead: str


TUBE_WORDS = Words(
    "the tube", "stretches", "longest intact stretch", "gap", "scan more of the tube or use a spare section"
)
PATCH_WORDS = Words(
    "the part",
    "places",
    "widest intact place",
    "damage",
    "scan more of what is around it, or add the line in which tubes meet as a crease",
)


def judge(evidence: Evidence, words: Words = TUBE_WORDS) -> tuple[Verdict, tuple[Note, ...]]:
    """Verdict by the rule that the README states, with a sentence for whatever keeps it from "ready".

    Refused when the blank test's 95 % error or the band's median is beyond five tolerances; else
    ready when both are within the tolerance, the seams are within 0.02 mm and 0.5 degrees and the
    halves fit; else check.
    """
    notes: list[Note] = []
    blank, band, seam, halves = evidence.blank_test, evidence.band95_mm, evidence.seam, evidence.halves
    worst = max(blank.p95_mm, band.median)
    if evidence.fit.unseen_deg > UNSEEN_DEG:
        # What was never seen is as wide as it is, however narrow the rest: no median may hide it.
        worst = max(worst, band.max)
    refused = worst > REFUSED_TOLERANCES * TOLERANCE_MM
    gap = evidence.gap
    if gap.length_mm > MOST_WAVES * gap.shape_mm:
        notes.append(
            Note(
                "shape_unknown",
                f"the tube bends or changes in waves of {gap.shape_mm:.0f} mm and the damage is "
                f"{gap.length_mm:.0f} mm long: what is seen does not say what was there; use a spare section",
            )
        )
        return "refused", tuple(notes)
    if blank.p95_mm > TOLERANCE_MM:
        notes.append(
            Note(
                "blank_test_wide",
                f"blanked intact {words.blanks} were rebuilt within {blank.p95_mm:.3f} mm (95 %), more than "
                f"{TOLERANCE_MM:.2f} mm: check the target against what you know of {words.part}",
            )
        )
    if band.max > TOLERANCE_MM:
        notes.append(
            Note(
                "band_wide",
                f"the 95 % band is up to {band.max:.3f} mm wide to each side, more than {TOLERANCE_MM:.2f} "
                "mm: leave that much stock where it is widest",
            )
        )
    if evidence.fit.unseen_deg > UNSEEN_DEG:
        notes.append(
            Note(
                "strip_unseen",
                f"the scan shows nothing of a strip of {evidence.fit.unseen_deg:.0f} degrees all along the "
                "tube; it is bridged from the rest of the section, and the band there says how well that "
                "works: scan that side, too",
            )
        )
    if seam.step_mm > SEAM_STEP_MM or seam.angle_deg > SEAM_ANGLE_DEG:
        notes.append(
            Note(
                "seam_open",
                f"the surface meets the intact scan with a step of {seam.step_mm:.3f} mm and an angle of "
                f"{seam.angle_deg:.2f} degrees: look at the rims",
            )
        )
    notes += _halves_notes(halves)
    if not halves.significant and halves.offset_u_mm > UNSURE_MM:
        notes.append(
            Note(
                "halves_unsure",
                f"one half could sit {_TOLD_TIMES * halves.offset_u_mm:.1f} mm off and the scan would not "
                "tell it from the tube's own shape: check with a straight edge or a jig that the halves are "
                "in line",
            )
        )
    if blank.length_mm < 0.95 * evidence.gap.length_mm:
        notes.append(
            Note(
                "blank_test_short",
                f"the {words.longest} to test on is {blank.length_mm:.0f} mm, the damage is "
                f"{evidence.gap.length_mm:.0f} mm: the blank test speaks for less than the {words.lost}",
            )
        )
    if refused:
        notes.append(
            Note(
                "no_evidence",
                f"blanked {words.blanks} came back within {blank.p95_mm:.2f} mm and the band is "
                f"{band.median:.2f} mm, up to {band.max:.2f} mm: no evidence supports a target here; "
                f"{words.instead}",
            )
        )
        return "refused", tuple(notes)
    doubtful = {
        "blank_test_wide",
        "band_wide",
        "seam_open",
        "halves_moved",
        "halves_reseated",
        "halves_unsure",
    }
    return ("check" if any(note.code in doubtful for note in notes) else "ready"), tuple(notes)


def _halves_notes(halves: Halves) -> list[Note]:
    """What there is to say when the halves have moved, or were to be re-seated."""
    if halves.mode == "reseat" and not halves.significant:
        return [
            Note(
                "halves_not_moved",
                f"{_why_held(halves)}, so none was re-seated: the surface holds both as scanned",
            )
        ]
    if not halves.significant:
        return []
    off = (
        f"{halves.offset_mm:.2f} ± {halves.offset_u_mm:.2f} mm and {halves.angle_deg:.2f} ± "
        f"{halves.angle_u_deg:.2f} degrees off"
    )
    unseen = "".join(f", {name} can't be seen on this tube" for name in halves.not_seen)
    if halves.moved is None:
        return [
            Note(
                "halves_moved",
                f"one half of the tube does not continue the other: {off}{unseen}; the surface holds both as "
                "scanned",
            )
        ]
    if halves.after is not None and halves.after.significant:
        off += f", and still {halves.after.offset_mm:.2f} mm once re-seated"
    return [
        Note(
            "halves_reseated",
            f"the halves are {off}{unseen}; the target fits the tube only once the '{halves.moved}' half has "
            "been moved by the matrix in the report: move it, scan again and check before machining",
        )
    ]


def _why_held(halves: Halves) -> str:
    if isnan(halves.offset_mm):
        return "damage on one side leaves the tube in one piece, and no half can have moved"
    return (
        f"no motion of one half stands out from noise and shape (offset {halves.offset_mm:.2f} ± "
        f"{halves.offset_u_mm:.2f} mm, angle {halves.angle_deg:.2f} ± {halves.angle_u_deg:.2f} degrees)"
    )
