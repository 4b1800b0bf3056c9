"""Why a button is greyed out, in the same words everywhere."""


def refused(cls, reason):
    """False, with the reason as the button's tooltip."""
    cls.poll_message_set(reason)
    return False


def object_mode(cls, context):
    """Whether nothing is being edited or sculpted."""
    return context.mode == "OBJECT" or refused(cls, "Go back to Object Mode first")


def surface_there(cls, context):
    """Whether the damage that is worked on has a surface."""
    damage = context.scene.gaploft.damage
    return (damage is not None and damage.surface is not None) or refused(cls, "Rebuild the surface first")
