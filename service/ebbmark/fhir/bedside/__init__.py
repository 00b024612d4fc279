"""The translator for what is asked before, during and after a trial: Conditions in, plans and judgements out."""

__all__: list[str] = []
