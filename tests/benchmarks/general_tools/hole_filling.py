"""Hole filling by general mesh libraries: VTK and pymeshfix."""

import numpy as np

from .broken_scan import BrokenScan, Patch, cut_free

#: Holes of any size may be filled, and so much of the scan on each side goes in (mm).
_ANY_SIZE_MM, _REACH_MM = 1e4, 40.0


def vtk_fill_holes(scan: BrokenScan) -> Patch:
    """Let VTK's filter close all boundaries of the trusted scan."""
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray, vtk_to_numpy
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
    from vtkmodules.vtkFiltersModeling import vtkFillHolesFilter

    part = cut_free(scan, _REACH_MM)
    points, cells, mesh = vtkPoints(), vtkCellArray(), vtkPolyData()
    points.SetData(numpy_to_vtk(part.vertices, deep=True))
    cells.SetData(
        numpy_to_vtkIdTypeArray(np.arange(0, 3 * len(part.faces) + 1, 3), deep=True),
        numpy_to_vtkIdTypeArray(part.faces.ravel(), deep=True),
    )
    mesh.SetPoints(points)
    mesh.SetPolys(cells)
    fill = vtkFillHolesFilter()
    fill.SetInputData(mesh)
    fill.SetHoleSize(_ANY_SIZE_MM)
    fill.Update()
    filled = fill.GetOutput()
    corners = vtk_to_numpy(filled.GetPolys().GetConnectivityArray()).reshape(-1, 3)
    return Patch(vtk_to_numpy(filled.GetPoints().GetData()).astype(float), corners.astype(np.int64))


def meshfix(scan: BrokenScan) -> Patch:
    """Let pymeshfix join the two halves where they come closest, then fill and refine the holes."""
    from pymeshfix import MeshFix

    part = cut_free(scan, _REACH_MM)
    mender = MeshFix(part.vertices, part.faces)
    mender.join_closest_components()
    mender.fill_holes(refine=True)
    return Patch(np.asarray(mender.points), np.asarray(mender.faces, dtype=np.int64))
