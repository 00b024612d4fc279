"""How fast is the whole function, side by side with what others need for less?"""

__all__: list[str] = []
