"""Before a trial: whether this patient is a candidate, and what the trial would look like."""
