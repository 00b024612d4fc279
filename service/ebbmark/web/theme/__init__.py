"""The look of every page: templates, one stylesheet, one small script, and pages that refuse."""

from __future__ import annotations
