"""What is asked before, during and after a trial, each question answered by one function."""

__all__: list[str] = []
