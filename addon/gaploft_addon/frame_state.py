"""In which frame files are written: that of the scan, or the machine's by marks in the scan."""

import bpy
from bpy.props import (
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

FRAMES = (
    ("SCAN", "Scan", "Files are in the frame of the scan file, wherever the object stands"),
    (
        "POINTS",
        "Three Points",
        "Files are in a frame by three marks: its origin, a place on its x axis, one on the side of y",
    ),
    (
        "SPHERES",
        "Spheres",
        "Files are in a frame by fixture spheres that are in the scan: each is fitted to the points around "
        "its mark. Three spheres at least",
    ),
)


class GAPLOFT_PG_frame_mark(bpy.types.PropertyGroup):
    """A mark of the machine's frame in the scan"""

    mark: PointerProperty(
        name="Mark", description="Where it is in the scan; may be dragged", type=bpy.types.Object
    )
    at_mm: FloatVectorProperty(
        name="At (mm)",
        description="Where the machine has the centre of this sphere, in millimetres",
        subtype="XYZ",
        precision=3,
    )


class GAPLOFT_PG_frame(bpy.types.PropertyGroup):
    """The frame that files are written in"""

    kind: EnumProperty(
        name="Frame", description="In which frame files are written", items=FRAMES, default="SCAN"
    )
    points: CollectionProperty(
        name="Points",
        description="Origin, a point on the x axis, one on the side of the y axis",
        type=GAPLOFT_PG_frame_mark,
    )
    spheres: CollectionProperty(
        name="Spheres",
        description="Fixture spheres, each by a place near its centre",
        type=GAPLOFT_PG_frame_mark,
    )
    index: IntProperty(name="Sphere", description="Which sphere of the list is worked on", min=0)
    radius_mm: FloatProperty(
        name="Radius (mm)",
        description="Radius of the fixture spheres in millimetres, as calibrated; 0 has it fitted",
        min=0.0,
        max=200.0,
        precision=3,
    )
    places: EnumProperty(
        name="Places",
        description="How the machine knows where the spheres are",
        items=(
            (
                "AXES",
                "Origin and Axes",
                "The first sphere is the origin, the second lies on the x axis, the third on the side of y",
            ),
            ("KNOWN", "Known Places", "The machine knows where each sphere is: give its place"),
        ),
    )
    found: StringProperty(name="Found", description="Frame and residuals of the last fit, as JSON")

    @property
    def marks(self):
        """The marks of the kind that is chosen."""
        return self.points if self.kind == "POINTS" else self.spheres


CLASSES = (GAPLOFT_PG_frame_mark, GAPLOFT_PG_frame)
