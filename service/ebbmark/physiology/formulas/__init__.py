"""What the textbook and the trials compute: body size, mechanics, power, gas exchange."""

__all__: list[str] = []
