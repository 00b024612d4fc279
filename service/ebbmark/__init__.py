"""Ebbmark: at what pressure did this lung start to close, how sure are we, and what follows.

As a library: `titrate`, `ask` and `estimate_closing`; see `ebbmark.library`, which is loaded when one of them is used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ebbmark.library import Closing, CurveStep, Rejected, ask, estimate_closing, titrate

__all__ = ["Closing", "CurveStep", "Rejected", "__version__", "ask", "estimate_closing", "titrate"]

__version__ = "0.6.0"


def __getattr__(name: str) -> object:
    if name in __all__:
        from ebbmark import library

        return getattr(library, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
