"""The page: one patient's trial, shown to whoever decides, with the two human acts that may follow it."""

from __future__ import annotations
