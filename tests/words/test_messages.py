"""The message catalogue: another language over the English one, and what is refused of it."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from ebbmark.physiology.findings import joined, message
from ebbmark.words.messages import ENGLISH, NotACatalogue, read_catalogue, say, spell, use_catalogue, values_of

SERVICE = Path(__file__).parents[2] / "service" / "ebbmark"

INVENTED = """
[next-step-line]
lower = "Vosi paso: PEEP {peep}"
[name]
heart-rate = "kora"
"""


@pytest.fixture(autouse=True)
def in_english() -> Iterator[None]:
    yield
    use_catalogue({})


def test_every_english_message_is_a_template_with_named_values() -> None:
    assert all(values_of(text) is not None and text.strip() for text in ENGLISH.values())


def test_a_site_lays_its_language_over_english_and_what_it_leaves_out_stays() -> None:
    use_catalogue(read_catalogue(INVENTED))

    assert say("next-step-line.lower", peep="12") == "Vosi paso: PEEP 12"
    assert say("next-step-line.stop") == "STOP"


def test_a_list_of_thousands_is_spelled_in_order() -> None:
    several = [f"x{number}" for number in range(5000)]

    assert spell(joined("semicolons", several)) == "; ".join(several)


@pytest.mark.parametrize(
    ("content", "fault"),
    [
        ("[next-step-line]\nlowre = 'x'", "next-step-line.lowre: there is no message of this name"),
        ("[next-step-line]\nlower = 'paso'", "next-step-line.lower: the value {peep} is missing"),
        ("[next-step-line]\nlower = '{peep} {where}'", "next-step-line.lower: the message has no value {where}"),
        ("[next-step-line]\nlower = '{peep'", "next-step-line.lower: not a template"),
        ("[next-step-line]\nlower = '{0} {peep}'", "next-step-line.lower: not a template"),
        ("[next-step-line]\nlower = 12", "next-step-line.lower: not a text"),
        ("[next-step-line", "it is not TOML"),
    ],
)
def test_a_translation_that_cannot_be_used_is_refused_by_name(content: str, fault: str) -> None:
    with pytest.raises(NotACatalogue) as refused:
        read_catalogue(content)

    assert fault in str(refused.value)


def test_a_message_of_the_core_is_spelled_with_its_numbers_lists_and_messages_within() -> None:
    use_catalogue(
        {"next-step-line.lower": "PEEP {peep}", "name.heart-rate": "pulse {peep}", "list.and": "{most} & {last}"}
    )

    assert spell(message("next-step-line.lower", peep=12.0)) == "PEEP 12"
    assert spell(message("next-step-line.lower", peep=("a", 0.5, message("name.heart-rate", peep=3)))) == (
        "PEEP a, 0.5 & pulse 3"
    )


def _named_as_they_stand() -> Iterator[tuple[str, frozenset[str | None]]]:
    """Identifiers that sources name, those of a section with its name, and the values that they give."""
    for file in SERVICE.rglob("*.py"):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        prefixes = {"message": "", "say": ""}
        for given in tree.body:
            match given:
                case ast.Assign([ast.Name(name)], ast.Call(ast.Name("section"), [ast.Constant(str(section))])):
                    prefixes[name] = f"{section}."
        for node in ast.walk(tree):
            match node:
                case ast.Call(ast.Name(name), [ast.Constant(str(identifier)), *_], keywords) if name in prefixes:
                    if all(keyword.arg is not None for keyword in keywords):
                        yield f"{prefixes[name]}{identifier}", frozenset(keyword.arg for keyword in keywords)


def test_every_message_that_a_source_names_is_in_the_catalogue_with_the_same_values() -> None:
    named = list(_named_as_they_stand())

    wrong = [(name, values) for name, values in named if name not in ENGLISH or values != values_of(ENGLISH[name])]
    assert len(named) > 400
    assert wrong == []


def _named_by_a_code_word() -> Iterator[tuple[str, frozenset[str | None]]]:
    """Patterns of identifiers that sources put together, with the values that they give."""
    for file in SERVICE.rglob("*.py"):
        for call in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if not isinstance(call, ast.Call) or not isinstance(call.func, ast.Name) or call.func.id != "message":
                continue
            values = frozenset(keyword.arg for keyword in call.keywords)
            if call.args and isinstance(call.args[0], ast.JoinedStr) and None not in values:
                parts = call.args[0].values
                named = [re.escape(str(part.value)) if isinstance(part, ast.Constant) else ".*" for part in parts]
                yield "".join(named), values


def test_every_message_that_a_source_names_by_a_code_word_finds_templates_for_its_values() -> None:
    families = list(_named_by_a_code_word())

    without = [
        pattern
        for pattern, values in families
        if not any(re.fullmatch(pattern, name) and values_of(text) <= values for name, text in ENGLISH.items())
    ]
    assert len(families) > 20
    assert without == []
