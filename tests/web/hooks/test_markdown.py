"""Whatever a text holds, as Markdown it says the same and does nothing: judged by a renderer that is not ours."""

from __future__ import annotations

import html
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from ebbmark.web.hooks.card_text import bold, bullets, escaped, section

# CommonMark with the tables and strikethrough of GitHub; its autolinks are looked at by hand below.
RENDERER = MarkdownIt("commonmark").enable(["table", "strikethrough"])
NASTY = st.text(alphabet=st.sampled_from("ab1 .)(-+=*_`~#<>&;[]!|\\/:@w\n\t\"'{}$^%"), max_size=40)


def shown(markdown: str) -> str:
    """The text that a reader sees."""
    return html.unescape(re.sub(r"<[^>]*>", "", RENDERER.render(markdown))).strip()


def plain(text: str) -> str:
    return " ".join(text.split())


@given(NASTY)
def test_a_text_stays_a_paragraph_that_says_the_same(text: str) -> None:
    rendered = RENDERER.render(escaped(text))

    assert set(re.findall(r"</?([a-z0-9]+)", rendered)) <= {"p"}
    assert shown(escaped(text)) == plain(text)


@pytest.mark.parametrize(
    "text",
    [
        "see https://evil.example/a",
        "see http://evil.example",
        "www.evil.example",
        "WWW.EVIL.EXAMPLE",
        "mail a@evil.example",
        "ftp://evil.example",
    ],
)
def test_no_address_becomes_a_link(text: str) -> None:
    # GitHub Flavored Markdown 6.9: www., a scheme with ://, and mail addresses become links where they stand bare.
    made = escaped(text)

    assert not re.search(r"(?<!\\)://|\bwww\.|(?<!\\)@", made, re.IGNORECASE)
    assert shown(made) == text


def test_line_breaks_become_spaces() -> None:
    assert escaped("one\n\n# two\r\n- three") == r"one \# two - three"


def test_a_number_keeps_its_point() -> None:
    assert escaped("44.0") == "44.0"
    assert escaped("1. first") == r"1\. first"


def test_headings_and_lists_are_what_they_seem() -> None:
    assert RENDERER.render(section("Head", bullets(["one", "two"]))) == (
        "<p><strong>Head</strong></p>\n<ul>\n<li>one</li>\n<li>two</li>\n</ul>\n"
    )
    assert bold("a*b") == r"**a\*b**"


def test_a_section_without_anything_in_it_is_left_out() -> None:
    assert section("Head", "", "") == ""
