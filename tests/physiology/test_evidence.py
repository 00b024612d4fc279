"""The lines that stand beside an answer: short, sourced, and never a prompt."""

from __future__ import annotations

import re

import pytest

from ebbmark.physiology.findings import EVIDENCE, EvidenceLine, SourceStatus, evidence_for
from ebbmark.words.messages import spell

each_line = pytest.mark.parametrize("line", EVIDENCE, ids=lambda line: line.slug)


def sentences_of(text: str) -> list[str]:
    return re.split(r"(?<=[.!?])\s+(?=[A-Z])", text)


def test_slugs_are_unique() -> None:
    slugs = [line.slug for line in EVIDENCE]

    assert len(set(slugs)) == len(slugs)


@each_line
def test_a_line_is_found_by_its_slug(line: EvidenceLine) -> None:
    assert evidence_for(line.slug) is line


def test_an_unknown_slug_is_a_mistake_of_ours() -> None:
    with pytest.raises(KeyError):
        evidence_for("no-such-line")


@each_line
def test_a_line_has_at_most_two_sentences(line: EvidenceLine) -> None:
    assert 1 <= len(sentences_of(spell(line.text))) <= 2


@each_line
def test_a_line_names_its_source(line: EvidenceLine) -> None:
    assert re.search(r"\b(19|20)\d\d\b|chapter \d+", line.citation)


@each_line
def test_a_line_never_tells_anyone_to_do_a_manoeuvre(line: EvidenceLine) -> None:
    told = r"\b(perform|repeat|recruit the|raise PEEP|increase PEEP|should be recruited|apply)\b"

    assert not re.search(told, spell(line.text), flags=re.IGNORECASE)


@each_line
def test_text_is_clean_of_stray_spaces(line: EvidenceLine) -> None:
    text = spell(line.text)

    assert not any("  " in one for one in (text, line.citation))
    assert text.endswith(".")


def test_both_ways_of_tracing_a_line_occur() -> None:
    assert {line.status for line in EVIDENCE} == {SourceStatus.VERIFIED, SourceStatus.SECOND_HAND}


@pytest.mark.parametrize(
    "slug",
    [
        "guideline-ats-2024",
        "guideline-esicm-2023",
        "trial-art-mortality",
        "trial-pharlap",
        "meta-analysis-dianti-2022",
        "no-trial-of-this-definition",
        "passive-patient",
        "after-disconnection",
        "chest-wall",
    ],
)
def test_what_must_stand_beside_every_answer_is_there(slug: str) -> None:
    assert spell(evidence_for(slug).text)
