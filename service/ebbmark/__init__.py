"""Ebbmark: at what pressure did this lung start to close, how sure are we, and what follows."""

__all__ = ["__version__"]

__version__ = "0.3.0"
