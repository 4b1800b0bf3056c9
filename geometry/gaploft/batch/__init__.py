"""Many jobs on all cores: a folder for each, one summary of all, and none that stops the others."""
