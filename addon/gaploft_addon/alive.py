"""Objects that a state points to, as long as they are there."""


def alive(scene, obj):
    """An object that is still in a scene, or None: a state alone would keep a deleted one alive."""
    return obj if obj is not None and scene.objects.get(obj.name) == obj else None
