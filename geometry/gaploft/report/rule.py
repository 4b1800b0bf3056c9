"""The rule behind a verdict, each of its limits beside what was found."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from gaploft.evidence import verdict as limits

REFUSED_MM = limits.REFUSED_TOLERANCES * limits.TOLERANCE_MM


@dataclass(frozen=True)
class Criterion:
    """One line of the rule.

    Attributes
    ----------
    name, limit, found : in words and figures with their units; ``found`` is None where it is not known
    outcome : what this line alone would make the verdict; None where it is not known
    """

    name: str
    limit: str
    found: str | None
    outcome: str | None


def rule_text(*, patch: bool = False) -> str:
    """The rule in one paragraph, of a tube as the README has it, or of a patch."""
    return _of_patch() if patch else _of_tube()


def _of_patch() -> str:
    return (
        f"Refused when the blank test's 95 % error or the median of the band is more than {REFUSED_MM:.2f} "
        "mm, or when there is too little intact surface to fit or test at all, or no target can be cut. "
        "Check when the blank test's 95 % error or the widest band is more than "
        f"{limits.TOLERANCE_MM:.2f} mm; or "
        f"when a seam has a step of more than {limits.SEAM_STEP_MM:.2f} mm or an angle of more than "
        f"{limits.SEAM_ANGLE_DEG:.1f}°; or when layers or band would take more than the allowed share of the "
        "wall, or layers were trimmed; or when a file does not hold together, or a change made by a person "
        "leaves the band, opens a seam or moves the overlap. Ready otherwise. "
        f"{limits.TOLERANCE_MM:.2f} mm is common practice, no source."
    )


def _of_tube() -> str:
    return (
        f"Refused when the blank test's 95 % error or the median of the band is more than {REFUSED_MM:.2f} "
        f"mm, or the widest band where a strip of more than {limits.UNSEEN_DEG:.0f}° along the tube was "
        f"never seen; or when the gap is more than {limits.MOST_WAVES:.1f} times as long as the waves in "
        "which the tube itself bends or changes; or when there is too little intact surface to fit or test "
        "at all, or no target can be cut. Check when the blank test's 95 % error or the widest band is more "
        f"than {limits.TOLERANCE_MM:.2f} mm; or when a seam has a step of more than "
        f"{limits.SEAM_STEP_MM:.2f} mm or an angle of more than {limits.SEAM_ANGLE_DEG:.1f}°; or when one "
        "half of the tube does not continue the other, or the offset between them is known to no better than "
        f"{limits.UNSURE_MM:.1f} mm (standard uncertainty); or when layers or band would take more than the "
        "allowed share of the wall, or layers were trimmed; or when a file does not hold together, or a "
        "change made by a person leaves the band, opens a seam or moves the overlap. Ready otherwise. "
        f"{limits.TOLERANCE_MM:.2f} mm is common practice, no source."
    )


def is_patch(report: Mapping[str, Any]) -> bool:
    """Whether a report is of a patch, and not of a tube's rings; one without a target says so itself."""
    return report["target"].get("kind") == "patch" or bool(report.get("patch"))


def rule_lines(report: Mapping[str, Any]) -> tuple[Criterion, ...]:
    """The rule line by line against one report from :func:`gaploft.report.numbers.as_dict`.

    A patch has no halves, and no waves along a tube.
    """
    blank, band, seam = report["blank_test"], report["band95_mm"], report["seam"]
    patch = is_patch(report)
    unseen = (report["fit"].get("unseen_deg") or 0.0) > limits.UNSEEN_DEG
    return (
        _line("Blank test, 95 % within", blank["p95_mm"], limits.TOLERANCE_MM, refused=REFUSED_MM),
        _line("Band, median", band["median"], None, refused=REFUSED_MM),
        _line("Band, widest", band["max"], limits.TOLERANCE_MM, refused=REFUSED_MM if unseen else None),
        *(() if patch else (_waves(report["gap"]),)),
        _line("Step at the rims", seam["step_mm"], limits.SEAM_STEP_MM),
        _line("Kink at the rims", seam["angle_deg"], limits.SEAM_ANGLE_DEG, unit="°", digits=2),
        *(() if patch else _halves(report["halves"])),
    )


def _line(
    name: str,
    value: float | None,
    check: float | None,
    *,
    refused: float | None = None,
    unit: str = "mm",
    digits: int = 3,
) -> Criterion:
    """A value that should be no more than a limit."""
    words = [f"{kind} above {limit:.2f} {unit}" for kind, limit in _kinds(check, refused)]
    limit = ", ".join(words)
    if value is None:
        return Criterion(name, limit, None, None)
    outcome = "ready"
    for kind, most in _kinds(check, refused):
        outcome = kind if value > most else outcome
    return Criterion(name, limit, f"{value:.{digits}f} {unit}", outcome)


def _kinds(check: float | None, refused: float | None) -> list[tuple[str, float]]:
    both = (("check", check), ("refused", refused))
    return [(kind, limit) for kind, limit in both if limit is not None]


def _waves(gap: Mapping[str, Any]) -> Criterion:
    """Length of the gap against the waves of the tube's own shape, which may be without end."""
    name = "Gap against the tube's own waves"
    limit = f"refused above {limits.MOST_WAVES:.1f} times"
    length, wave = gap["length_mm"], gap.get("shape_mm")
    if length is None:
        return Criterion(name, limit, None, None)
    if wave is None:
        return Criterion(name, limit, "no waves seen", "ready")
    times = length / wave
    return Criterion(name, limit, f"{times:.2f} times", "refused" if times > limits.MOST_WAVES else "ready")


def _halves(halves: Mapping[str, Any]) -> tuple[Criterion, Criterion]:
    moved, unsure = halves["significant"], halves.get("offset_u_mm")
    first = Criterion(
        "Halves continue each other",
        "check where they do not",
        None if moved is None else ("no" if moved else "yes"),
        None if moved is None else ("check" if moved else "ready"),
    )
    second = _line("Offset of the halves, standard uncertainty", unsure, limits.UNSURE_MM)
    return first, second
