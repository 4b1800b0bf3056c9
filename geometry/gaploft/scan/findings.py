"""What a person should know of a scan before any work starts on it."""

from collections.abc import Iterator

import numpy as np

from gaploft.progress import Progress, silent
from gaploft.scan.model import Note, Scan
from gaploft.scan.pieces import face_pieces
from gaploft.scan.topology import surely_open

#: A piece with a smaller share of the faces is a scrap of something else (common practice, no source).
_SCRAP_SHARE = 0.01
#: Edges longer than this, mm, show neither a ragged rim nor a narrow tube well (common practice, no source).
_COARSE_MM = 2.0
#: Single precision that is coarser than this, mm, is a tenth of a good scanner's noise.
_ROUGH_MM = 0.002
_SAMPLE = 20_000


def scan_findings(scan: Scan, *, progress: Progress = silent) -> tuple[Note, ...]:
    """Say what is remarkable about a scan: its own notes, and what of it may disturb the work.

    Nothing here stops a rebuild; what does is refused when the scan is read.
    """
    found = list(scan.notes)
    for k, look in enumerate((_pieces, _borders, _edges, _place)):
        found += look(scan)
        progress("read", 0.8 + 0.05 * (k + 1))
    return tuple(found)


def _pieces(scan: Scan) -> Iterator[Note]:
    faces_of_piece = np.bincount(face_pieces(scan.faces, len(scan.vertices_mm)))
    faces_of_piece = faces_of_piece[faces_of_piece > 0]
    scraps = faces_of_piece < _SCRAP_SHARE * len(scan.faces)
    n_large, n_scraps = int((~scraps).sum()), int(scraps.sum())
    if n_large > 1:
        yield Note(
            "pieces", f"the scan is in {n_large} large pieces, as that of a tube broken through may be"
        )
    if n_scraps:
        n_faces = int(faces_of_piece[scraps].sum())
        text = f"{n_scraps:,} loose scraps, {n_faces:,} faces in all, hang together with nothing else"
        yield Note("scraps", f"{text}; they do no harm away from the tube")


def _borders(scan: Scan) -> Iterator[Note]:
    if not surely_open(scan.faces, len(scan.vertices_mm)):
        yield Note(
            "no_border",
            "the scan has no open edge anywhere; if the scanning program filled its holes, mark what was "
            "filled as damaged, or scan again without filling",
        )


def _edges(scan: Scan) -> Iterator[Note]:
    some = scan.faces[:: max(1, len(scan.faces) // _SAMPLE)]
    edges = scan.vertices_mm[some[:, 0]] - scan.vertices_mm[some[:, 1]]
    usual = float(np.median(np.linalg.norm(edges, axis=1)))
    if usual > _COARSE_MM:
        text = f"edges of its triangles are {usual:.1f} mm long, and 0.2 to 1 mm serve this work well"
        yield Note("coarse", f"{text}: export the scan more finely if there is more to it")


def _place(scan: Scan) -> Iterator[Note]:
    furthest = float(max(np.abs(scan.vertices_mm.min()), np.abs(scan.vertices_mm.max())))
    rounding = float(np.spacing(np.float32(furthest)))
    if rounding > _ROUGH_MM:
        text = (
            f"the scan lies {furthest:,.0f} mm from its origin, where mesh files round to {rounding:.3f} mm"
        )
        yield Note("far_from_origin", f"{text}: move it closer to the origin in the scanning program")
