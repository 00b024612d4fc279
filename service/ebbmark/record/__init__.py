"""The record system: the only room that speaks to other systems."""

__all__: list[str] = []
