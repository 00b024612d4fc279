"""During a trial: go on, read once more, or stop."""
