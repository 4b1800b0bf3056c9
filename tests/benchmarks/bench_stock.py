"""Time of a stock map beside general closest-point queries of the same pair, in one run.

    python tests/benchmarks/bench_stock.py [--edge-mm 0.173] [--runs 3]

A laid-up tube of some two million triangles (sample_scenes/bench_repair.py, finer) against the target that is
rebuilt from its broken scan. From arrays in memory to the signed distance at each vertex of the target, the
best of some runs; each library builds what it searches in anew, as ours does. Sizes of distances are
compared; this scan shows no other wall for a general query to find. Writes ``results/stock.json`` and
``results/stock.md``. On Debian Open3D wants the package libusb-1.0-0.
"""

import argparse
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from measuring import RESULTS, machine, markdown_table, write_json  # isort: skip

import bench_repair
from gaploft.job import Damage, Job, Layers, TargetSettings
from gaploft.pipeline import rebuild
from gaploft.scan.mend import scan_from_arrays
from gaploft.scan.model import Scan, ScanSource
from gaploft.stock.check import StockSettings, TargetSkin, check_stock, stock_map
from gaploft.target.model import Target
from scan_like import scan_like

_REACH_MM = 5.0


def target() -> Target:
    """The target of the sample job, 0.37 mm below the surface."""
    tube, gap = bench_repair.TUBE, bench_repair.GAP_MM
    broken = scan_like(
        tube.evaluate,
        length_mm=tube.length_mm,
        perimeter_mm=tube.perimeter_mm(),
        gap_mm=gap,
        faults=bench_repair.FAULTS,
        rng=np.random.default_rng(1),
    )
    source = ScanSource("scan", "00" * 32, "mm", len(broken.vertices), len(broken.faces))
    scan = scan_from_arrays(broken.vertices, broken.faces, mm_per_unit=1.0, source=source)
    ends = tube.centre(np.array(gap))
    job = Job(Damage(*ends), TargetSettings(overlap_mm=40.0), Layers(cover_mm=bench_repair.DEPTH_MM))
    made = rebuild(scan, job).target
    assert made is not None
    return made


def part(edge_mm: float) -> Scan:
    """The laid-up tube as a scan; mending it is not part of what is timed."""
    points, faces = bench_repair._skin(bench_repair.laid_up_height, np.random.default_rng(2), edge_mm)
    source = ScanSource("laid_up", "00" * 32, "mm", len(points), len(faces))
    return scan_from_arrays(points, faces, mm_per_unit=1.0, source=source)


def by_open3d(points: np.ndarray, measured: Scan) -> np.ndarray:
    import open3d

    scene = open3d.t.geometry.RaycastingScene()
    tensor = open3d.core.Tensor
    scene.add_triangles(
        tensor(measured.vertices_mm.astype(np.float32)), tensor(measured.faces.astype(np.uint32))
    )
    return scene.compute_distance(tensor(points.astype(np.float32))).numpy()


def by_libigl(points: np.ndarray, measured: Scan) -> np.ndarray:
    import igl

    faces = measured.faces.astype(np.int64)
    return np.sqrt(igl.point_mesh_squared_distance(points, measured.vertices_mm, faces)[0])


def by_vtk(points: np.ndarray, measured: Scan) -> np.ndarray:
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray, vtk_to_numpy
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
    from vtkmodules.vtkFiltersCore import vtkImplicitPolyDataDistance

    mesh, corners = vtkPolyData(), vtkPoints()
    corners.SetData(numpy_to_vtk(measured.vertices_mm))
    cells = np.column_stack([np.full(len(measured.faces), 3), measured.faces]).astype(np.int64)
    polygons = vtkCellArray()
    polygons.SetCells(len(measured.faces), numpy_to_vtkIdTypeArray(cells.ravel(), deep=True))
    mesh.SetPoints(corners)
    mesh.SetPolys(polygons)
    distance = vtkImplicitPolyDataDistance()
    distance.SetInput(mesh)
    found = numpy_to_vtk(np.zeros(len(points)), deep=True)
    distance.FunctionValue(numpy_to_vtk(points), found)
    return np.abs(vtk_to_numpy(found))


def by_trimesh(points: np.ndarray, measured: Scan) -> np.ndarray:
    import trimesh

    mesh = trimesh.Trimesh(measured.vertices_mm, measured.faces, process=False)
    return trimesh.proximity.closest_point(mesh, points)[1]


LIBRARIES: dict[str, Callable[[np.ndarray, Scan], np.ndarray]] = {
    "Open3D": by_open3d,
    "libigl": by_libigl,
    "VTK": by_vtk,
    "trimesh": by_trimesh,
}


def best_of(runs: int, work: Callable[[], Any]) -> tuple[float, Any]:
    """The shortest time of some runs, and what the work gave."""
    seconds = []
    for _ in range(runs):
        started = time.perf_counter()
        result = work()
        seconds.append(time.perf_counter() - started)
    return min(seconds), result


def main() -> None:
    """Measure, and write the tables."""
    parser = argparse.ArgumentParser(description="Time a stock map beside general closest-point queries.")
    parser.add_argument("--edge-mm", type=float, default=0.173)
    parser.add_argument("--runs", type=int, default=3)
    options = parser.parse_args()
    made, measured = target(), part(options.edge_mm)
    points, normals = made.vertices_mm, made.normals
    ours_s, (signed, _) = best_of(
        options.runs, lambda: stock_map(points, normals, measured, reach_mm=_REACH_MM)
    )
    rows: list[dict[str, Any]] = [{"tool": "Gaploft, stock map", "seconds": ours_s, "ours / theirs": 1.0}]
    for name, query in LIBRARIES.items():
        try:
            seconds, distance = best_of(
                1 if name == "trimesh" else options.runs, lambda q=query: q(points, measured)
            )
        except ImportError as error:
            print(f"{name} left out: {error}")
            continue
        off = np.abs(distance - np.abs(signed))
        rows.append(
            {
                "tool": f"{name}, closest points",
                "seconds": seconds,
                "ours / theirs": ours_s / seconds,
                "largest difference, mm": float(np.nanmax(off)),
            }
        )
    skin = TargetSkin(
        points, made.triangles, normals, made.band95_mm, made.zone, made.depth_mm, shape=made.shape
    )
    whole_s, stock = best_of(1, lambda: check_stock(skin, measured, StockSettings()))
    rows.append({"tool": "Gaploft, whole check with low spots and decision", "seconds": whole_s})
    told = f"{len(measured.faces):,} triangles, {len(points):,} vertices of the target"
    print(f"{told}, {len(stock.low_spots)} low spots")
    write_json("stock.json", {"machine": machine(), "pair": told, "rows": rows})
    keys = ("tool", "seconds", "ours / theirs", "largest difference, mm")
    table = markdown_table([{key: _told(row.get(key)) for key in keys} for row in rows])
    (RESULTS / "stock.md").write_text(f"{told}\n\n{table}", encoding="utf-8")
    print(table)


def _told(value: Any) -> str:
    if value is None:
        return "–"
    return value if isinstance(value, str) else f"{value:.3g}"


if __name__ == "__main__":
    main()
