"""How does every page of this service look? Templates, one stylesheet, one small script, and pages that refuse."""

from __future__ import annotations

__all__: list[str] = []
