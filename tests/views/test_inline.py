"""The figure as a part of a page: what the file shows, in the page's own colours, and nothing a policy forbids."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import fields, replace

import pytest

from drawn_trials import DRAWN
from ebbmark.views.drawing import DARK, LIGHT, Palette
from ebbmark.views.figure import figure_of
from ebbmark.views.panels import NARROW, WIDE, Aspect
from ebbmark.views.picture import draw, inline_of, words_of
from ebbmark.web.theme import STYLE
from recommendations import ALL

ASPECTS = {"wide": replace(WIDE, alone=False), "narrow": replace(NARROW, alone=False)}
by_trial = pytest.mark.parametrize("name", [*DRAWN, *ALL])


def inlined(name: str) -> dict[str, ElementTree.Element]:
    """The drawings by aspect."""
    figure = figure_of({**DRAWN, **ALL}[name]())
    inline = inline_of(figure, words_of(figure))
    return {key: ElementTree.fromstring(text) for key, text in (("wide", inline.wide), ("narrow", inline.narrow))}  # noqa: S314


def image(name: str, aspect: Aspect) -> ElementTree.Element:
    return ElementTree.fromstring(draw(figure_of({**DRAWN, **ALL}[name]()), aspect=aspect))  # noqa: S314 - our own


def drawn(element: ElementTree.Element, roles: dict[str, str]) -> list[tuple[str, str, str, str]]:
    """Every part in the order in which it is drawn: kind, shape and text, and the roles of filling and stroke."""
    found = []
    for one in element.iter():
        kind = one.tag.rpartition("}")[2]
        if kind in ("path", "circle", "text"):
            place = one.get("d") or f"{one.get('cx', one.get('x'))} {one.get('cy', one.get('y'))}"
            classes = dict(part.split("-") for part in one.get("class", "").split())
            filling = classes.get("fill") or roles.get(one.get("fill", ""), "")
            stroke = classes.get("line") or roles.get(one.get("stroke", ""), "")
            found.append((kind, place + "".join(one.itertext()), filling, stroke))
    return found


@by_trial
@pytest.mark.parametrize("aspect", ASPECTS)
def test_whatever_the_file_shows_is_drawn_in_the_role_of_its_colour(name: str, aspect: str) -> None:
    role_of = {getattr(LIGHT, field.name): field.name for field in fields(Palette)}

    assert drawn(inlined(name)[aspect], role_of) == drawn(image(name, ASPECTS[aspect]), role_of)


@by_trial
def test_nothing_in_it_is_forbidden_by_the_pages_policy(name: str) -> None:
    for part in inlined(name).values():
        for one in part.iter():
            assert one.tag in {"svg", "path", "circle", "text", "tspan"}
            assert "style" not in one.attrib
            assert "id" not in one.attrib
            assert not any(key.startswith("on") for key in one.attrib)


def test_words_are_escaped() -> None:
    figure = figure_of(next(iter(DRAWN.values()))())

    assert 'aria-label="&lt;b&gt; &quot;x&quot;"' in inline_of(figure, '<b> "x"').wide


def test_the_stylesheet_gives_every_role_the_colours_of_the_palettes() -> None:
    style = STYLE.body.decode()
    dark = style.index("prefers-color-scheme: dark")
    paper = style.index("@media print")
    for role in (field.name for field in fields(Palette)):
        variable = "--paper" if role == "paper" else f"--figure-{role}"
        assert f".fill-{role} {{ fill: var({variable}); }}" in style
        assert f".line-{role} {{ stroke: var({variable}); }}" in style
        if role != "paper":
            found = [(place.start(), place[1]) for place in re.finditer(rf"{variable}: (#[0-9a-f]{{6}})", style)]
            assert [colour for _, colour in found] == [getattr(one, role) for one in (LIGHT, DARK, LIGHT)]
            assert found[0][0] < dark < found[1][0] < paper < found[2][0]
