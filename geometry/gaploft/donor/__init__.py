"""Another way to the lost surface: the shape of a tube that is not broken."""
