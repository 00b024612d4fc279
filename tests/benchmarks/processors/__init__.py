"""The same bytes on every kind of processor, over many trials: python -m benchmarks.processors [TRIALS]."""
