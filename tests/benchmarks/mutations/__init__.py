"""Mutation run over limits and comparisons of the physiology."""
