"""How well is the closing pressure detected? Invented lungs and measuring, rival methods, scores, figures.

Run `PYTHONPATH=tests python -m benchmarks.detection` (add `--quick` for less than a minute).
"""
