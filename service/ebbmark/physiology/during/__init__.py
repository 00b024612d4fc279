"""During a trial: go on, read once more, or stop."""

__all__: list[str] = []
