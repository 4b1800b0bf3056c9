"""The CAD kernel: splines of ours into its surfaces, and these into STEP."""

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaploft.files.step_net import Net
from gaploft.surface.basis import DEGREE, TURN_RAD

Floats = NDArray[np.float64]

#: The standard wants a time. The same surface has to give the same bytes at any.
_NO_TIME = "1970-01-01T00:00:00"
#: Digits behind the point, mm.
_DIGITS = 9


@contextmanager
def silent() -> Iterator[None]:
    """The kernel tells the terminal what it does; nobody there has asked."""
    from OCP.Message import Message

    messenger = Message.DefaultMessenger_s()
    printers = list(messenger.Printers())
    for printer in printers:
        messenger.RemovePrinter(printer)
    try:
        yield
    finally:
        for printer in printers:
            messenger.AddPrinter(printer)


def kernel_surface(net: Net, outward: int, matrix: Floats | None) -> Any:
    """The kernel's surface, its first parameter around the tube and its second along, normals outward."""
    from OCP.collections import Array1_double, Array1_int, Array2_gp_Pnt
    from OCP.Geom import Geom_BSplineSurface
    from OCP.gp import gp_Pnt

    placed = net.poles_mm if matrix is None else net.poles_mm @ matrix[:3, :3].T + matrix[:3, 3]
    # Digits that hang on how a library adds up are dropped, so that its next release gives the same file.
    placed = np.round(placed, _DIGITS) + 0.0
    poles = Array2_gp_Pnt(1, net.spans_v, 1, len(placed))
    for j, column in enumerate(placed.transpose(1, 0, 2).tolist(), start=1):
        for i, pole in enumerate(column, start=1):
            poles.SetValue(j, i, gp_Pnt(*pole))

    def filled(kind: Any, values: list[Any]) -> Any:
        array = kind(1, len(values))
        for i, value in enumerate(values, start=1):
            array.SetValue(i, value)
        return array

    along, times = np.unique(net.knots_u, return_counts=True)
    around = np.arange(net.spans_v + 1) * (TURN_RAD / net.spans_v)
    result = Geom_BSplineSurface(
        poles,
        filled(Array1_double, around.tolist()),
        filled(Array1_double, along.tolist()),
        filled(Array1_int, [1] * len(around)),
        filled(Array1_int, times.tolist()),
        DEGREE,
        DEGREE,
        True,
        False,
    )
    # Periodic knots are exact here, but in a file all programs understand clamped ones.
    result.Segment(0.0, TURN_RAD, float(along[0]), float(along[-1]))
    if outward < 0:
        result.UReverse()
    return result


def step_bytes(surfaces: list[Any], frame: str) -> bytes:
    """A STEP file of a face over all of each surface, with no counter's number and no clock's time in it."""
    from OCP.APIHeaderSection import APIHeaderSection_MakeHeader
    from OCP.BRep import BRep_Builder
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.StepBasic import StepBasic_Product
    from OCP.STEPControl import STEPControl_StepModelType, STEPControl_Writer
    from OCP.TCollection import TCollection_HAsciiString
    from OCP.TopoDS import TopoDS_Shell

    builder, shell = BRep_Builder(), TopoDS_Shell()
    builder.MakeShell(shell)
    for surface in surfaces:
        builder.Add(shell, BRepBuilderAPI_MakeFace(surface, 1e-7).Face())
    writer = STEPControl_Writer()
    writer.Transfer(shell, STEPControl_StepModelType.STEPControl_AsIs)
    model = writer.Model()
    header = APIHeaderSection_MakeHeader(model)
    header.SetName(TCollection_HAsciiString("machining target"))
    header.SetTimeStamp(TCollection_HAsciiString(_NO_TIME))
    header.SetOriginatingSystem(TCollection_HAsciiString("gaploft"))
    header.SetAuthorValue(1, TCollection_HAsciiString(""))
    header.SetOrganizationValue(1, TCollection_HAsciiString(""))
    header.SetAuthorisation(TCollection_HAsciiString(""))
    about = f"smooth surface of a machining target, unit mm, frame of the {frame}"
    header.SetDescriptionValue(1, TCollection_HAsciiString(about))
    for i in range(1, model.NbEntities() + 1):
        entity = model.Value(i)
        if isinstance(entity, StepBasic_Product):
            entity.SetId(TCollection_HAsciiString("gaploft target"))
            entity.SetName(TCollection_HAsciiString("machining target"))
    stream = io.BytesIO()
    writer.WriteStream(stream)
    return stream.getvalue()
