"""The ways to the lost surface, side by side: the tube's own flanks, a spare section, the opposite side, the
shop's shelf."""
