"""The figure as a part of a page: what the image shows, in the page's own colours, and nothing a policy forbids."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import fields

import pytest

from drawn_trials import DRAWN
from ebbmark.views.figure import DARK, LIGHT, NARROW, WIDE, Aspect, Palette, alternative_text, draw, figure_of
from ebbmark.views.inline import inline_of
from ebbmark.web.look.files import STYLE
from recommendations import ALL

ASPECTS = {"wide": WIDE, "narrow": NARROW}
by_trial = pytest.mark.parametrize("name", [*DRAWN, *ALL])


def inlined(name: str) -> dict[str, ElementTree.Element]:
    """The drawings by aspect, and the letters."""
    figure = figure_of({**DRAWN, **ALL}[name]())
    inline = inline_of(figure, alternative_text(figure))
    texts = {"wide": inline.wide, "narrow": inline.narrow, "letters": inline.letters}
    return {key: ElementTree.fromstring(text) for key, text in texts.items()}  # noqa: S314 - our own


def image(name: str, aspect: Aspect) -> ElementTree.Element:
    return ElementTree.fromstring(draw(figure_of({**DRAWN, **ALL}[name]()), aspect=aspect))  # noqa: S314 - our own


def colours(element: ElementTree.Element) -> list[str]:
    """Fills and strokes in the order in which they are drawn, each with its role or its colour."""
    return [
        found
        for one in element.iter()
        for found in re.findall(r"(?:fill|line)-[a-z]+", one.get("class", ""))
        + re.findall(r"(?:fill|stroke): #[0-9a-f]{6}", one.get("style", ""))
    ]


@by_trial
@pytest.mark.parametrize("aspect", ASPECTS)
def test_whatever_the_image_shows_is_drawn_in_the_role_of_its_colour(name: str, aspect: str) -> None:
    role_of = {getattr(LIGHT, one.name): one.name for one in fields(Palette)}
    drawn = inlined(name)[aspect]

    expected = [
        f"{'line' if one.startswith('stroke') else 'fill'}-{role_of[one[-7:]]}"
        for one in colours(image(name, ASPECTS[aspect]))
    ]
    assert sorted(colours(drawn)) == sorted(expected)


@by_trial
@pytest.mark.parametrize("aspect", ASPECTS)
def test_every_letter_and_mark_of_the_image_is_there_and_refers_to_an_outline(name: str, aspect: str) -> None:
    parts = inlined(name)
    used = [one.get("href", "") for one in parts[aspect].iter("use")]
    known = {f"#{one.get('id')}" for part in parts.values() for one in part.iter("path") if one.get("id")}

    assert len(used) == sum(one.tag.endswith("}use") for one in image(name, ASPECTS[aspect]).iter())
    assert set(used) <= known


@by_trial
def test_no_two_parts_of_a_page_have_one_name(name: str) -> None:
    names = [one.get("id") for part in inlined(name).values() for one in part.iter() if one.get("id")]

    assert len(names) == len(set(names))


@by_trial
def test_nothing_in_it_is_forbidden_by_the_pages_policy(name: str) -> None:
    for part in inlined(name).values():
        for one in part.iter():
            assert one.tag in {"svg", "path", "use", "g", "defs"}
            assert "style" not in one.attrib
            assert not any(key.startswith("on") for key in one.attrib)


def test_words_are_escaped() -> None:
    figure = figure_of(next(iter(DRAWN.values()))())

    assert 'aria-label="&lt;b&gt; &quot;x&quot;"' in inline_of(figure, '<b> "x"').wide


def test_the_stylesheet_gives_every_role_the_colours_of_the_palettes() -> None:
    style = STYLE.body.decode()
    dark = style.index("prefers-color-scheme: dark")
    paper = style.index("@media print")
    for role in (one.name for one in fields(Palette)):
        variable = "--paper" if role == "paper" else f"--figure-{role}"
        assert f".fill-{role} {{ fill: var({variable}); }}" in style
        assert f".line-{role} {{ stroke: var({variable}); }}" in style
        if role != "paper":
            found = [(place.start(), place[1]) for place in re.finditer(rf"{variable}: (#[0-9a-f]{{6}})", style)]
            assert [colour for _, colour in found] == [getattr(one, role) for one in (LIGHT, DARK, LIGHT)]
            assert found[0][0] < dark < found[1][0] < paper < found[2][0]
