"""Finding a tube among thousands on a shelf, beside plainly laying every tube onto the broken one.

    python tests/benchmarks/bench_shelf.py [--entries 5000] [--queries 120] [--pairs 200] [--folder DIR]

The shelf holds generated tubes (tests/shelf_tubes.py), each as if fitted to a noisy scan of its own. A query
is another scan of one of them: points on two flanks with noise that goes together, in some pose and
direction, a gap of one to three diameters between them, and a surface fitted to these points anew. The last
step of a search, laying the best few onto the points, is the library's own.

The plain way tries all slides, turns and both directions of one tube and follows the best of them up on the
points. It is run on a part of the shelf that holds the right one, for some of the queries; its time for the
whole shelf is the time of a pair times the number of tubes. Writes ``results/shelf.json`` and
``results/shelf.md``.
"""

import argparse
import os
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from measuring import RESULTS, machine, markdown_table, write_json  # isort: skip

import shelf_tubes
from gaploft.donor.coarse import starts
from gaploft.donor.laid import Ground, lay
from gaploft.donor.rings import rings_of
from gaploft.errors import EvidenceError
from gaploft.shelf.found import Query
from gaploft.shelf.model import Entry, Provenance
from gaploft.shelf.search import search
from gaploft.shelf.store import read_entry, write_entry
from gaploft.surface.arc import arc_through
from gaploft.surface.fit import FitPoints, close_waves, section_size, settle, started
from gaploft.surface.shape import Shape
from gaploft.tube.around import around_map
from irregular import correlated_noise
from scan_faults import ScanFaults

Floats = np.ndarray

#: What a scan's noise leaves in the surface that is fitted to it, mm; ScanFaults() says that of the scan.
_STORED_MM = 0.01
#: Points of a query, and those that tubes are laid onto.
_POINTS, _LAID_ON = 9000, 2000
_FLANKS_MM = (60.0, 120.0)
_SLICES = 60
#: Follow-ups of the plain way for each pair, as many as the search itself has for each tube.
_STARTS = 3


@dataclass(frozen=True)
class Scanned:
    """A broken tube's scan as a search for it, and the truth that nobody is shown."""

    number: int
    query: Query
    points: Floats
    truth: Shape
    gap_mm: tuple[float, float]


@dataclass(frozen=True)
class Laid:
    misfit_mm: float
    matrix: Floats


def put_on_shelf(folder: Path, number: int) -> None:
    """Write one generated tube, as if fitted to a scan of its own."""
    path = folder / f"{number:05}.tube"
    if not path.exists():
        shape = shelf_tubes.scanned(shelf_tubes.tube(number), _STORED_MM, np.random.default_rng([13, number]))
        said = Provenance(f"{number:05}.stl", "00" * 32, "intact", ScanFaults().noise_mm, "2024-05-17")
        write_entry(path, Entry(f"tube {number}", shape, said))


def scan_of(number: int) -> Scanned:
    """Scan both flanks of a tube anew, and fit a surface to them."""
    rng = np.random.default_rng([14, number])
    truth = shelf_tubes.anywhere(shelf_tubes.tube(number), rng)
    truth = truth.reversed() if rng.random() < 0.5 else truth
    first, last = truth.range_u
    length = min(2.0 * truth.sweep.radius_mm * rng.uniform(1.0, 3.0), last - first - 2.0 * _FLANKS_MM[0])
    start = rng.uniform(first + _FLANKS_MM[0], last - _FLANKS_MM[0] - length)
    stop = start + length
    ends = max(first, start - rng.uniform(*_FLANKS_MM)), min(last, stop + rng.uniform(*_FLANKS_MM))
    u = rng.uniform(0.0, (start - ends[0]) + (ends[1] - stop), _POINTS) + ends[0]
    u = np.where(u > start, u + length, u)
    v = rng.uniform(0.0, 2.0 * np.pi, _POINTS)
    points, normals = truth.surface.evaluate(u, v), truth.surface.normals(u, v)
    faults = ScanFaults()
    noise = correlated_noise(
        points,
        rms_mm=faults.noise_mm,
        correlation_mm=faults.correlation_mm,
        white_share=faults.white_share,
        rng=rng,
    )
    points = points + noise[:, None] * normals
    middle = truth.surface.evaluate((start + stop) / 2.0, np.arange(32) * np.pi / 16.0).mean(axis=0)
    return Scanned(number, refitted(points, middle), points[:_LAID_ON], truth, (start, stop))


def refitted(points: Floats, middle: Floats) -> Query:
    """Fit a surface to points (n, 3) of two flanks, knowing but the middle of the damage between them."""
    axis = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]
    at = points @ axis
    for _ in range(3):
        arc = arc_through(*_spine(at, points))
        at = arc.straightened(points)[:, 0]
    flat = arc.straightened(points)
    centre = float(arc.straightened(middle[None])[0, 0])
    gap = float(at[at < centre].max()), float(at[at > centre].min())
    ends = float(at.min()), float(at.max())
    stations, centres = _spine(at, flat)
    sideways = [np.polynomial.Polynomial.fit(stations, centres[:, k], 5)(at) for k in (1, 2)]
    x, y = flat[:, 1] - sideways[0], flat[:, 2] - sideways[1]
    angle, radius = np.arctan2(y, x), np.hypot(x, y)
    around = around_map(at, angle, radius)
    mean = float(radius.mean())
    plain = 0.7 * around.tightest * mean
    data = FitPoints(points, at, around(angle), np.ones(len(points)))
    problem = started(arc, data, ends, n_section=section_size(mean, around.tightest * mean), plain_mm=plain)
    surface = settle(problem, np.ones(len(points)), close_waves(2.0 * mean, plain), rounds=2).surface
    return Query(rings_of(surface, ends, gap_mm=gap), gap, mean)


def _spine(at: Floats, points: Floats) -> tuple[Floats, Floats]:
    """Stations and middles of slices, those of the gap left out."""
    edges = np.linspace(at.min(), at.max() + 1e-9, _SLICES + 1)
    part = np.searchsorted(edges, at, side="right") - 1
    count = np.bincount(part, minlength=_SLICES)
    full = count > 0.5 * np.median(count[count > 0])
    means = [np.bincount(part, c, minlength=_SLICES)[full] / count[full] for c in (at, *points.T)]
    return means[0], np.column_stack(means[1:])


def laid_onto(points: Floats, shape: Shape, start: Floats | None = None) -> Laid | None:
    """The last step: a tube's surface onto the points."""
    found = lay(Ground.of(shape), points, np.eye(4) if start is None else start)
    return None if found is None else Laid(found.rms_mm, found.matrix)


def plainly(scan: Scanned, path: Path) -> Laid | None:
    """One tube by itself: all slides, turns and directions, then the points."""
    shape = read_entry(path).shape
    rings = rings_of(shape.surface, shape.range_u)
    try:
        begun = starts(scan.query.rings, rings, most=_STARTS)
    except EvidenceError:
        # Too short.
        return None
    found = [laid_onto(scan.points, shape, start.matrix) for start in begun]
    return min((each for each in found if each), key=lambda each: each.misfit_mm, default=None)


def brought_mm(scan: Scanned, shape: Shape, matrix: Floats) -> float:
    """How far a laid tube is off the truth in the gap, root mean square."""
    u, v = np.meshgrid(np.linspace(*scan.gap_mm, 20), np.arange(40) * np.pi / 20.0, indexing="ij")
    there = scan.truth.surface.evaluate(u.ravel(), v.ravel())
    back = np.linalg.inv(matrix)
    feet = Ground.of(shape).feet(there @ back[:3, :3].T + back[:3, 3])
    return float(np.sqrt(np.mean(feet.distance_mm**2)))


def searched(folder: Path, scan: Scanned) -> dict:
    """One search, timed."""
    spent = {"lay": 0.0}

    def register(shape: Shape) -> Laid | None:
        began = time.perf_counter()
        found = laid_onto(scan.points, shape)
        spent["lay"] += time.perf_counter() - began
        return found

    began, worked = time.perf_counter(), time.process_time()
    found = search(folder, scan.query, register=register)
    seconds, cpu = time.perf_counter() - began, time.process_time() - worked
    first = found.candidates[0]
    name = f"tube {scan.number}"
    names = [candidate.name for candidate in found.candidates]
    return {
        "kind": shelf_tubes.KINDS[scan.number % len(shelf_tubes.KINDS)],
        "number": scan.number,
        "first": first.name,
        "rank": names.index(name) + 1 if name in names else None,
        "misfit_mm": first.misfit_mm,
        "next_mm": found.candidates[1].misfit_mm if len(names) > 1 else None,
        "brought_mm": brought_mm(scan, first.shape, first.fit.matrix),
        "seconds": seconds,
        "seconds_cpu": cpu,
        "seconds_lay": spent["lay"],
    }


def plain_row(folder: Path, scan: Scanned, among: list[int]) -> dict:
    """The plain way over a part of the shelf, timed."""
    began, worked = time.perf_counter(), time.process_time()
    found = {number: plainly(scan, folder / f"{number:05}.tube") for number in among}
    seconds, cpu = time.perf_counter() - began, time.process_time() - worked
    fits = {number: each.misfit_mm for number, each in found.items() if each}
    return {
        "number": scan.number,
        "right": min(fits, key=fits.__getitem__) == scan.number,
        "pair_s": seconds / len(among),
        "pair_cpu_s": cpu / len(among),
    }


def by_kind(rows: list[dict]) -> list[dict]:
    """One line for each kind and one for all."""
    lines = []
    for kind in (*shelf_tubes.KINDS, "all"):
        some = [row for row in rows if kind in ("all", row["kind"])]
        if not some:
            continue
        brought = np.array([row["brought_mm"] for row in some])
        nexts = [row["next_mm"] for row in some if row["rank"] == 1 and row["next_mm"]]
        lines.append(
            {
                "tubes": kind,
                "queries": len(some),
                "right one first": f"{np.mean([row['rank'] == 1 for row in some]):.1%}",
                "off the truth in the gap (worst), mm": f"{np.median(brought):.3f} ({brought.max():.3f})",
                "misfit, mm": f"{np.median([row['misfit_mm'] for row in some]):.3f}",
                "of the next, mm": f"{np.median(nexts):.3f}" if nexts else "",
            }
        )
    return lines


def measured(folder: Path, options: argparse.Namespace) -> None:
    """Fill the shelf, search, compare, write."""
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        list(pool.map(partial(put_on_shelf, folder), range(options.entries), chunksize=20))
    rng = np.random.default_rng(15)
    numbers = rng.choice(options.entries, options.queries, replace=False)
    scans = [scan_of(int(number)) for number in numbers]
    searched(folder, scans[0])
    rows = [searched(folder, scan) for scan in scans]
    plain = []
    for scan in scans[: options.plain]:
        others = rng.choice(options.entries, options.pairs - 1, replace=False)
        plain.append(plain_row(folder, scan, sorted({scan.number, *map(int, others)})))
    pair, pair_cpu = (
        float(np.mean([row[name] for row in plain])) if plain else float("nan")
        for name in ("pair_s", "pair_cpu_s")
    )
    cpu, laying = (float(np.median([row[name] for row in rows])) for name in ("seconds_cpu", "seconds_lay"))
    seconds = np.array([row["seconds"] for row in rows])
    table = by_kind(rows)
    ways = [
        {
            "way": "search",
            "queries": len(rows),
            "among": options.entries,
            "right one first": f"{np.mean([row['rank'] == 1 for row in rows]):.1%}",
            "s a query": f"{np.median(seconds):.2f} (worst {seconds.max():.2f})",
            "s of processor": f"{cpu:.2f}",
        },
        {
            "way": "every tube plainly",
            "queries": len(plain),
            "among": options.pairs,
            "right one first": f"{np.mean([row['right'] for row in plain]):.1%}" if plain else "",
            "s a query": f"{pair * options.entries:.0f} ({pair:.3f} a pair, times {options.entries})",
            "s of processor": f"{pair_cpu * options.entries:.0f}",
        },
    ]
    text = markdown_table(table) + "\n" + markdown_table(ways)
    content = {"machine": machine(), "rows": rows, "plain": plain, "by_kind": table, "ways": ways}
    write_json("shelf.json", content)
    (RESULTS / "shelf.md").write_text(text, encoding="utf-8")
    print(text)
    print(f"{laying:.2f} s of a search are laying the best few onto {_LAID_ON} points")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--entries", type=int, default=5000)
    parser.add_argument("--queries", type=int, default=120)
    parser.add_argument("--pairs", type=int, default=200, help="tubes that the plain way is run on")
    parser.add_argument("--plain", type=int, default=12, help="queries that the plain way is run for")
    parser.add_argument("--folder", type=Path, help="a shelf from an earlier run, to be filled up or used")
    options = parser.parse_args()
    if options.folder:
        options.folder.mkdir(exist_ok=True)
        measured(options.folder, options)
        return
    with tempfile.TemporaryDirectory() as folder:
        measured(Path(folder), options)


if __name__ == "__main__":
    main()
