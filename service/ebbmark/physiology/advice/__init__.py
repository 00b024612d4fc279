"""What follows from the estimate, with what must be said beside it."""

__all__: list[str] = []
