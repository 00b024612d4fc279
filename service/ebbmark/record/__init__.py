"""The record system: the only room that speaks to other systems."""
