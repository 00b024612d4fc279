"""What a page says, as a person reads it: without tags, with single spaces."""

from __future__ import annotations

import re
from html import unescape
from html.parser import HTMLParser


def words_of(body: bytes) -> str:
    """The text of a page. Lowered figures stand in line, and spaces that hold a number to its unit are plain."""
    text = re.sub(r"<(style|script)\b.*?</\1>", " ", body.decode(), flags=re.DOTALL)
    text = re.sub(r"</?(sub|em|strong|span|a)\b[^>]*>", "", text)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ")).strip()


class _Counter(HTMLParser):
    """Words at first sight and words folded away; those of a figure and those for a screen reader are not counted."""

    ALONE = frozenset({"br", "hr", "img", "input", "link", "meta"})

    def __init__(self) -> None:
        super().__init__()
        self.within: list[tuple[str, str]] = []
        self.at_sight = self.folded = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.ALONE:
            self.within.append((tag, dict(attrs).get("class") or ""))

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.ALONE:
            while self.within.pop()[0] != tag:
                pass

    def handle_data(self, data: str) -> None:
        tags = [tag for tag, _ in self.within]
        unseen = any("unseen" in name for _, name in self.within)
        if unseen or not {"svg", "head", "script", "style"}.isdisjoint(tags):
            return
        _, _, folded = "/".join(tags).partition("details")
        if folded and not folded.startswith("/summary"):
            self.folded += len(data.split())
        else:
            self.at_sight += len(data.split())


def counted(body: bytes) -> tuple[int, int]:
    """How many words a page has at first sight, and how many more once everything is unfolded."""
    counter = _Counter()
    counter.feed(body.decode())
    return counter.at_sight, counter.folded
