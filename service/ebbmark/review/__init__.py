"""A review of many stored answers and trials: replay, retrospective titration, use, data quality, and what changed."""
