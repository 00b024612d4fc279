"""What is shown on paper and on screen: the figure and the one-page report, the same picture everywhere."""

__all__: list[str] = []
