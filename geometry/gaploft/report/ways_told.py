"""What is to be said of one way to the lost surface: how it lies, its mirror plane, what the shelf held."""

from collections.abc import Mapping, Sequence
from typing import Any

_OPEN = {"twist": "how it is turned about the axis", "slide": "how far along the tube it lies"}

Tubes = tuple[tuple[str, str, float | None, str], ...]
Skipped = tuple[tuple[str, str], ...]


def mm(value: float | None, digits: int = 3) -> str:
    """Millimetres with their unit, or a dash."""
    return "–" if value is None else f"{value:.{digits}f} mm"


def degrees(value: float | None, digits: int = 3) -> str:
    """Degrees with their sign, or a dash."""
    return "–" if value is None else f"{value:.{digits}f}°"


def listed(words: Sequence[str]) -> str:
    """Words one after the other, the last with an "and"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 2 else words)


def told(
    way: Mapping[str, Any], job: Mapping[str, Any], *, mine: bool
) -> tuple[tuple[str, ...], Tubes, Skipped]:
    """Sentences on one way, and the lists of the shelf; ``mine`` says that it is used.

    Notes of the way that is used stand with the warnings of the whole report already.
    """
    sentences: list[str] = []
    if way["refused"]:
        sentences.append(f"Refused: {way['refused']}.")
    tubes, skipped = Tubes(), Skipped()
    if way["mirror"] is not None:
        sentences += _mirror(way["mirror"])
    if way["shelf"] is not None:
        sentences += _shelf(way["shelf"])
        tubes = tuple(_tube(tube) for tube in way["shelf"]["candidates"])
        skipped = tuple((str(file), str(reason)) for file, reason in way["shelf"]["skipped"])
    if way["placed"] is not None:
        turned = (job.get(way["name"]) or {}).get("mirrored") if way["name"] == "donor" else False
        sentences += _placed(way["placed"], turned=bool(turned))
    if not mine:
        sentences += [f"{note['text'][:1].upper()}{note['text'][1:]}." for note in _notes(way)]
    return tuple(sentences), tubes, skipped


def _notes(way: Mapping[str, Any]) -> list[Mapping[str, str]]:
    """Notes that say more than the sentences here do."""
    said = ("donor_free", "sides_differ")
    return [note for note in way["warnings"] if note["code"] not in said and note["text"] != way["refused"]]


def _placed(placed: Mapping[str, Any], *, turned: bool) -> list[str]:
    """How a donor lies on the flanks."""
    before, beyond = placed["flank_mm"]
    lies = (
        f"It lies on {mm(before, 1)} and {mm(beyond, 1)} of intact tube at the 'from' and the 'to' end, and "
        f"is {mm(placed['misfit_mm'])} off it (1.4826 times the median; {mm(placed['rms_mm'])} root mean "
        f"square), by {_percent(placed['share'])} of its points"
    )
    how = [words for words, so in (("mirrored", turned), ("turned end for end", placed["reversed"])) if so]
    sentences = [f"{lies}{'; it was ' + listed(how) if how else ''}."]
    known = {"twist": degrees(placed["twist_u_deg"]), "slide": mm(placed["slide_u_mm"])}
    known = {name: text for name, text in known.items() if text != "–"}
    words = {"twist": "about the axis", "slide": "along it"}
    rest = [f"{text} {words[name]}" for name, text in known.items()]
    uncertain = [
        f"{mm(placed['offset_u_mm'])} sideways",
        f"{degrees(placed['angle_u_deg'])} between the axes",
        *rest,
    ]
    sentences.append(f"Standard uncertainty of its place: {listed(uncertain)}; the band holds it already.")
    sentences += _left_open(placed, known)
    if placed["other_ways"]:
        sentences.append(
            f"{placed['other_ways']} more {'place fits' if placed['other_ways'] == 1 else 'places fit'} as "
            "well, with the same shape over the damage."
        )
    return sentences


def _left_open(placed: Mapping[str, Any], known: Mapping[str, str]) -> list[str]:
    """What the flanks do not show of a donor's place, and what decided it."""
    if not placed["free"]:
        decided = " Your mark was heeded as well." if placed["marked"] else ""
        return [f"The intact stretch alone shows how it is turned and how far along it lies.{decided}"]
    hidden = [_OPEN.get(name, name) for name in placed["free"] if name not in known]
    faint = [_OPEN.get(name, name) for name in placed["free"] if name in known]
    some = [
        f"{verb} {listed(what)}"
        for verb, what in (("does not show", hidden), ("hardly shows", faint))
        if what
    ]
    decided = "your mark decided" if placed["marked"] else "the damage looks the same wherever it lies"
    return [f"The intact stretch {listed(some)}: {decided}."]


def _mirror(mirror: Mapping[str, Any]) -> list[str]:
    """The plane and how the sides differ."""
    point, normal = mirror["point_mm"], mirror["normal"]
    plane = (
        f"Mirror plane through ({', '.join(f'{x:.2f}' for x in point)}) mm of the scan, normal "
        f"({', '.join(f'{x:.5f}' for x in normal)}), "
    )
    if mirror["given"]:
        plane += "as given in the job."
    else:
        plane += (
            f"found in the scan: laid over its own reflection, {_percent(mirror['share'])} of it fit, "
            f"{mm(mirror['rms_mm'])} apart (root mean square)."
        )
    return [
        plane,
        f"The sides are not quite alike: the broken tube lies {mm(mirror['offset_mm'])} and "
        f"{degrees(mirror['angle_deg'])} from the mirror image of the opposite one, and with that taken out "
        f"{mm(mirror['shape_mm'])} of difference in shape is left on the intact stretch. Place and angle "
        "are those of the broken side.",
    ]


def _shelf(shelf: Mapping[str, Any]) -> list[str]:
    """What was searched, and whether anything fits."""
    searched = shelf["searched"]
    text = f"{searched} {'tube' if searched == 1 else 'tubes'} on the shelf searched"
    if shelf["too_short"]:
        text += f", {shelf['too_short']} of them too short for this damage"
    sentences = [f"{text}."]
    if not shelf["candidates"]:
        sentences.append("Nothing on the shelf fits.")
    if shelf["skipped"]:
        sentences.append("Files that could not be used stand below, and why.")
    return sentences


def _tube(tube: Mapping[str, Any]) -> tuple[str, str, float | None, str]:
    return tube["name"], tube["file"], tube["misfit_mm"], "mirrored" if tube["mirrored"] else "as it is"


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{100.0 * share:.1f} %"
