"""The state of a repair, kept in the scene so that a saved file reopens where it was."""

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from .alive import alive
from .damage_state import SETTINGS, GAPLOFT_PG_damage
from .frame_state import GAPLOFT_PG_frame
from .live import part_changed
from .shop_state import copied
from .show_state import GAPLOFT_PG_show
from .touch_state import GAPLOFT_PG_touch

#: Grows with each release that keeps the state in another way; `upgrade.py` knows the way up.
VERSION = 5

#: Blenders that tell paths apart which may begin at the file's own folder.
RELATIVE = {"PATH_SUPPORTS_BLEND_RELATIVE"} if bpy.app.version >= (4, 5, 0) else set()

SCAN_UNITS = (
    ("mm", "1 mm", "One Blender unit of the scan is a millimetre, as most scanners write"),
    ("cm", "1 cm", "One Blender unit of the scan is a centimetre"),
    ("m", "1 m", "One Blender unit of the scan is a metre"),
    ("in", "1 inch", "One Blender unit of the scan is an inch of 25.4 mm"),
    ("scene", "As the Scene", "Lengths are what Blender shows with the scene's unit scale"),
)


def _is_mesh(_state, obj):
    return obj.type == "MESH"


class GAPLOFT_PG_state(bpy.types.PropertyGroup):
    """State of the repair in this scene"""

    version: IntProperty(name="Version", description="In which way this state is kept", options={"HIDDEN"})
    scan: PointerProperty(
        name="Scan",
        description="Mesh object with the scan of the broken tube; never altered",
        type=bpy.types.Object,
        poll=_is_mesh,
    )
    scan_unit: EnumProperty(
        name="1 Unit Is",
        description="What one Blender unit of the scan is in reality; mesh files carry no unit",
        items=SCAN_UNITS,
        default="mm",
    )
    scan_findings: StringProperty(
        name="Scan Findings", description="What was found wrong with the scan, as JSON"
    )
    from_point: FloatVectorProperty(
        name="From",
        description="Point near the tube's centreline where the damage begins, in world coordinates",
        subtype="XYZ",
        precision=3,
    )
    to_point: FloatVectorProperty(
        name="To",
        description="Point near the tube's centreline where the damage ends, in world coordinates",
        subtype="XYZ",
        precision=3,
    )
    frame: PointerProperty(
        name="Scan Frame",
        description="Hidden; holds the marks in the scan's frame",
        type=bpy.types.Object,
    )
    collection: PointerProperty(
        name="Collection",
        description="Holds the marks and the rebuilt surfaces",
        type=bpy.types.Collection,
    )
    damages: CollectionProperty(
        name="Damages", description="The damages of this scan", type=GAPLOFT_PG_damage
    )
    damage_index: IntProperty(name="Damage", description="Which damage of the list is worked on", min=0)
    last_uid: IntProperty(
        name="Last Number", description="Number of the damage added last", options={"HIDDEN"}
    )
    machine: PointerProperty(
        name="Machine Frame", description="The frame that files are written in", type=GAPLOFT_PG_frame
    )
    shelf_folder: StringProperty(
        name="Shelf",
        description="Folder that the shop's known tubes lie in; // is the folder of this file",
        subtype="DIR_PATH",
        options=RELATIVE,
        update=part_changed,
    )
    touch: PointerProperty(
        name="Touching Up", description="Settings for touching up by hand", type=GAPLOFT_PG_touch
    )
    update_live: BoolProperty(
        name="Update as I Change",
        description="Rebuild in the background whenever a setting is changed, as long as nothing was changed "
        "by hand. Only the stages that a setting touches are done again",
        default=True,
    )

    show: PointerProperty(name="Look", description="What is shown and how", type=GAPLOFT_PG_show)

    @property
    def damage(self):
        """The damage that is worked on, or None."""
        return self.damages[self.damage_index] if self.damage_index < len(self.damages) else None

    def damage_of(self, uid):
        """The damage with a number, or None when it is gone."""
        return next((damage for damage in self.damages if damage.uid == uid), None)

    def add_damage(self):
        """A new damage at the end of the list, worked on from now, with the settings of the one before."""
        number = self.damage_index if self.damage is not None else None
        damage = self.damages.add()
        self.last_uid += 1
        damage.uid = self.last_uid
        damage.name = "Damage" if len(self.damages) == 1 else f"Damage {damage.uid}"
        self.damage_index = len(self.damages) - 1
        self.version = VERSION
        if number is not None:
            before = self.damages[number]  # looked up again: adding may have moved it
            for name in SETTINGS:
                setattr(damage, name, getattr(before, name))
            copied(before.shop, damage.shop)
        return damage

    def live(self, field):
        """The object of a field, or None when it was deleted: the state alone would keep it alive."""
        return alive(self.id_data, getattr(self, field))

    @property
    def marked(self):
        """Whether the scan is there and both marks of the damage that is worked on."""
        damage = self.damage
        return self.live("scan") is not None and damage is not None and damage.marked


#: What the state passes on to the damage that is worked on, so that scripts need not know of the list.
PASSED_ON = (
    *SETTINGS,
    *("mark_from", "mark_to", "damaged_area", "result", "touched", "report", "built_with"),
)


def _passed_on(name):
    """A property of the state that is one of the damage worked on; setting it makes a first damage."""

    def get(state):
        damage = state.damage
        if damage is not None:
            return getattr(damage, name)
        rna = GAPLOFT_PG_damage.bl_rna.properties[name]
        return None if rna.type == "POINTER" else rna.default

    def put(state, value):
        setattr(state.damage or state.add_damage(), name, value)

    return property(get, put)


for _name in PASSED_ON:
    setattr(GAPLOFT_PG_state, _name, _passed_on(_name))


CLASSES = (GAPLOFT_PG_state,)
