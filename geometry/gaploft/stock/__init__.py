"""How a measured part stands against its target: surplus, low spots, and whether it conforms."""
