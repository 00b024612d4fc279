"""The doors: each parses its protocol, calls recommend, shapes its reply."""

__all__: list[str] = []
