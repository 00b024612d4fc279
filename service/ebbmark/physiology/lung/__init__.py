"""A lung of many units to invent trials with: for tests and teaching."""

__all__: list[str] = []
