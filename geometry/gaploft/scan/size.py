"""Does the size of a scan fit the unit it is said to have?"""

from gaploft.errors import InputError
from gaploft.job import MM_PER_UNIT
from gaploft.scan.model import Note

# Common practice, no source: a scan for this job is a piece of tube or a whole frame, from some
# centimetres to about two metres. Outside the wide limits it is refused, outside the narrow ones noted.
_REFUSED_BELOW_MM, _REFUSED_ABOVE_MM = 5.0, 10_000.0
_UNUSUAL_BELOW_MM, _UNUSUAL_ABOVE_MM = 40.0, 3_000.0
_USUAL = "a scan of a frame tube is some centimetres to two metres long"


def check_size(extent_mm: float, *, unit: str, mm_per_unit: float, file: str) -> Note | None:
    """Refuse a scan whose largest extent can't be that of a tube or frame; note one that is unusual.

    Raises
    ------
    InputError
        The extent is below 5 mm or above 10 m.
    """
    if _UNUSUAL_BELOW_MM <= extent_mm <= _UNUSUAL_ABOVE_MM:
        return None
    text = (
        f"{file} is {_length(extent_mm)} long if its unit is {unit}, but {_USUAL}: "
        f"{_advice(extent_mm / mm_per_unit, unit)}"
    )
    if not _REFUSED_BELOW_MM <= extent_mm <= _REFUSED_ABOVE_MM:
        raise InputError(text)
    return Note("size_unusual", text)


def likely_unit(extent: float) -> str:
    """Name the unit that would give a usual size to a scan of this largest extent, in its own unit."""
    return next(iter(_fitting(extent)), "mm")


def _fitting(extent: float) -> list[str]:
    """Units that make a usual size of an extent, the more common ones first."""
    return [
        name
        for name in ("mm", "m", "cm", "in")
        if _UNUSUAL_BELOW_MM <= extent * MM_PER_UNIT[name] <= _UNUSUAL_ABOVE_MM
    ]


def _advice(extent: float, unit: str) -> str:
    """Name the unit that would make a usual size of a length in the file's own unit."""
    fitting = [name for name in _fitting(extent) if name != unit]
    if not fitting:
        return "check the unit and the scan"
    sizes = " or ".join(f"{name} ({_length(extent * MM_PER_UNIT[name])})" for name in fitting)
    return f"is the unit {sizes}?"


def _length(length_mm: float) -> str:
    return f"{length_mm:.3g} mm" if length_mm < 1000.0 else f"{length_mm:,.0f} mm"
