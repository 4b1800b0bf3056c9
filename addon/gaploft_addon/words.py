"""Texts made at run time, in the language of the interface; labels and tooltips Blender translates itself."""

from bpy.app.translations import pgettext_iface, pgettext_rpt


def told(text: str) -> str:
    """A sentence for a report, perhaps with ``{}`` places still in it: translate first, then ``.format``."""
    return str(pgettext_rpt(text))


def label(text: str) -> str:
    """A label of the interface made at run time, translated before it is formatted."""
    return str(pgettext_iface(text))
