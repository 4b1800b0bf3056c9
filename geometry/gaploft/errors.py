"""What can go wrong in a way that a person must hear about.

A wrong call by our own code is a ``ValueError`` and a traceback. Everything a technician can
cause or mend is a :class:`GeometryError`, whose text is one sentence: what was found, what is
needed, what to do.
"""


class GeometryError(Exception):
    """One sentence for the technician; the base of the two kinds below."""


class InputError(GeometryError):
    """The input can't be used (exit code 2)."""


class EvidenceError(GeometryError):
    """The input is sound, but does not support a target (exit code 3)."""


class Cancelled(Exception):
    """The user stopped the work; nothing half-done may be left behind (exit code 130)."""
