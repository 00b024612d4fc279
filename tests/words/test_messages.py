"""The message catalogue: another language over the English one, and what is refused of it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from ebbmark.words.messages import ENGLISH, NotACatalogue, read_catalogue, say, use_catalogue, values_of

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
