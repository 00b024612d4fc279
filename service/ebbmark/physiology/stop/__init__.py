"""When a trial stops: limits, criteria, heart rhythm; for the plan, the trial in progress and the time after it."""
