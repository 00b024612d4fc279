"""What is shown on paper and on screen: the figure and the report on paper, the same picture everywhere."""
