"""Rebuild the outer surface of a broken composite tube across the damage, and say how far to trust it."""
