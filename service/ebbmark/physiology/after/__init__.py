"""After a trial: what changed, whether its result still holds, and what other markers say."""

__all__: list[str] = []
