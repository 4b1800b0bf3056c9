"""The laminate under the surface: wall left, solid of the missing section, bed, plies."""
