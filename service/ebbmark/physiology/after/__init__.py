"""After a trial: what changed, does it still hold, what did others say?"""

__all__: list[str] = []
