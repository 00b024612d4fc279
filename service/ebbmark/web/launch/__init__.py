"""SMART App Launch: from the record into the page, a session per tab, and out again."""

from __future__ import annotations
