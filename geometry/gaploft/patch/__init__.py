"""Patches: a fair surface over any outline, for damage where the surroundings are no tube."""
