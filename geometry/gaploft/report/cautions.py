"""What anyone who acts on a target has to know; shown with every report."""

_ESTIMATE, _HALVES = "An estimate", "Halves may have moved"

CAUTIONS = (
    (
        _ESTIMATE,
        "The rebuilt surface is inferred from the intact tube around the damage. The 95 % band is an "
        "average over the surface: single spots can lie outside it, most likely half way across the gap "
        "and near bends.",
    ),
    (
        "Shape only, no proof of strength",
        "This describes the outer shape. It knows nothing of plies, voids, bond or load. A restored "
        "shape is not a safe frame: qualified inspection and the rules that hold where you work decide "
        "whether it may be ridden.",
    ),
    (
        "Which surface",
        "The target lies below the rebuilt outer surface by the layers that the job names: paint, filler, "
        "cover and others. Measure each on this frame; a guessed thickness goes straight into the depth of "
        "cut, and a guessed wall into what is said to be left.",
    ),
    (
        "Too low is worse than too high",
        "Machining below the target cuts fibres and can't be undone. Keep clear by at least the band, "
        "fill where the repair is low, and take nothing off the intact laminate beside it.",
    ),
    (
        "Flat facets",
        "On a convex wall the facets lie inside the smooth surface by up to the chord error, in a "
        "hollow outside it.",
    ),
    (
        "No unit in the mesh file",
        "STL and PLY state neither unit nor frame. These are in millimetres, in the frame that the report "
        "names: compare the overall size with the part before the first cut.",
    ),
    (
        "Alignment adds its own error",
        "Lining up frame, scan and machine adds to the error stated here. Align on intact surface, "
        "never on the repair, and write down the residual.",
    ),
    (
        _HALVES,
        "After a full break the two sides rarely sit where they did. Offset, angle and twist above say "
        "how well one continues the other; a target for halves held as scanned fits the frame as scanned, "
        "not as it once was, and one for a re-seated half fits only once that half was really moved. Turning "
        "a round tube about its axis and sliding a straight one along it can't be seen.",
    ),
    (
        "The scan decides",
        "Dark, glossy and clear-coated carbon scans badly and matting spray adds thickness. Crushed or "
        "lifted rims, stickers and fittings are left out as far as the data show them.",
    ),
    (
        "Dust and resin",
        "Carbon dust irritates, conducts and can burn: extraction, breathing, eye and skin protection, "
        "and no live electronics in its way. Uncured resin sensitises. Safety data sheets and local law "
        "go before this page.",
    ),
)

#: What is said in their place of a patch, whose surroundings are no tube.
_OF_PATCH = {
    _ESTIMATE: (
        _ESTIMATE,
        "The rebuilt surface is inferred from the intact surface around the damage, which it continues as "
        "evenly as it can. The 95 % band is an average over the surface: single spots can lie outside it, "
        "most likely in the middle, and where an edge or a fillet runs into the damage.",
    ),
    _HALVES: (
        "Parts may have moved",
        "After a break the parts around the damage rarely sit where they did. The patch joins them as they "
        "were scanned, and does not tell whether one of them has moved.",
    ),
}


def cautions_for(*, patch: bool = False) -> tuple[tuple[str, str], ...]:
    """Titles and texts of the cautions of a tube, or of a patch."""
    if not patch:
        return CAUTIONS
    return tuple(_OF_PATCH.get(title, (title, text)) for title, text in CAUTIONS)
