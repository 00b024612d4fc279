"""What a page says, as a person reads it: without tags, with single spaces."""

from __future__ import annotations

import re
from html import unescape

__all__ = ["words_of"]


def words_of(body: bytes) -> str:
    """The text of a page. Lowered figures stand in line, and spaces that hold a number to its unit are plain."""
    text = re.sub(r"<(style|script)\b.*?</\1>", " ", body.decode(), flags=re.DOTALL)
    text = re.sub(r"</?(sub|em|strong|span|a)\b[^>]*>", "", text)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ")).strip()
