"""One picture of the report, and the sheet that it is drawn on."""

import io
from dataclasses import dataclass
from typing import Any

from gaploft.report.colours import ColourScale, srgb, width_scale

#: Fine enough for 180 mm of paper, few enough points for Blender to draw while somebody waits.
_DPI = 130
_WIDTH_IN = 7.1
#: Ink of outlines, and of the two lines that have to be told from it; each has its own dashes too.
DARK, PETROL, RUST = "#1b1f24", "#1f5f86", "#9c4a14"


@dataclass(frozen=True)
class Picture:
    """One picture, what it shows, and the part of the report that it belongs to."""

    png: bytes
    caption: str
    topic: str = "evidence"


@dataclass(frozen=True)
class Figures:
    """Makes empty sheets and turns full ones into PNG; ``kind`` is matplotlib's own class of figure."""

    kind: Any

    def sheet(self, height_in: float) -> Any:
        """An empty sheet as wide as the page."""
        return self.kind(figsize=(_WIDTH_IN, height_in), dpi=_DPI, layout="constrained")

    def finished(self, sheet: Any, caption: str, topic: str) -> Picture:
        """The sheet as a picture; the same bytes each time."""
        stream = io.BytesIO()
        sheet.savefig(stream, format="png", metadata={"Software": None})
        return Picture(stream.getvalue(), caption, topic)


def colour_map(top_mm: float, *, least: bool = False) -> Any:
    """The report's scale from light to dark for matplotlib; ``least`` makes the small values dark."""
    from matplotlib.colors import ListedColormap

    scale: ColourScale = width_scale(top_mm)
    table = srgb(scale.table)
    return ListedColormap(table[::-1] if least else table)


def plain(axes: Any) -> None:
    """Thin lines behind, no box."""
    axes.grid(visible=True, linewidth=0.4, color="#c9ced6")
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(labelsize=8)
