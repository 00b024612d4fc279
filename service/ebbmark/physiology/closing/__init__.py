"""At which step did the lung start to close, and how sure is that?"""

__all__: list[str] = []
