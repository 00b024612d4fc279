"""Before a trial: is this a candidate, and what would the trial look like?"""

__all__: list[str] = []
