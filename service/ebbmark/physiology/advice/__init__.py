"""What follows from the estimate, with what must be said beside it."""
