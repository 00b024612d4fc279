"""The questions that a caller can ask, one file each: the titration, and those before, during and after a trial."""
