"""English sentences of the answers: one module per answer, from findings as values to text."""
