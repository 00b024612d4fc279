"""For the person who asks later: signature and replay."""

__all__: list[str] = []
