"""The two short layers of an answer: how long they are, and that they say what the answer says."""

from __future__ import annotations

import re

import pytest

from drawn_trials import DRAWN
from ebbmark.fhir.answer import Answer
from ebbmark.physiology.advice import SEVERITY_OF_OBSERVED, Severity
from ebbmark.physiology.closing.result import Verdict
from ebbmark.words.messages import ENGLISH, MOST_WORDS_OF_LINE, MOST_WORDS_OF_REASONS, InShort
from ebbmark.words.titration import in_short
from recommendations import ALL

EVERY = {**DRAWN, **ALL}
by_trial = pytest.mark.parametrize("name", EVERY)


def both(name: str) -> tuple[Answer, InShort]:
    answer = EVERY[name]()
    return answer, in_short(answer.titration.advice, answer.titration.closing)


@by_trial
def test_the_line_has_at_most_25_words_and_the_reasons_80(name: str) -> None:
    _, short = both(name)

    assert len(short.line.split()) <= MOST_WORDS_OF_LINE
    assert sum(len(reason.split()) for reason in short.reasons) <= MOST_WORDS_OF_REASONS


@by_trial
def test_the_number_is_the_suggested_peep_and_there_is_none_without_one(name: str) -> None:
    answer, short = both(name)
    suggested = answer.titration.advice.suggested_peep_cmh2o

    assert short.number == ("" if suggested is None else f"{round(suggested, 1):g}")
    assert ("No PEEP is suggested." in short.line) == (suggested is None)


@by_trial
def test_the_probability_that_leads_is_that_of_the_step_named(name: str) -> None:
    answer, short = both(name)
    if answer.titration.closing.verdict is not Verdict.FOUND:
        pytest.skip("no step is named")
    (step,) = [
        step for step in answer.titration.closing.steps if step.peep_cmh2o == answer.titration.closing.peep_cmh2o
    ]
    found = re.search(r"at PEEP ([0-9.]+) \((over |under )?([0-9]+) %\)", " ".join((short.sure, *short.reasons)))

    assert found is not None
    assert float(found[1]) == step.peep_cmh2o
    assert float(found[3]) == pytest.approx(min(max(100 * step.probability, 1), 99), abs=0.51)


@by_trial
def test_no_probability_is_a_certainty(name: str) -> None:
    _, short = both(name)

    assert re.findall(r"\b(?:0|100) %", " ".join((short.line, *short.reasons))) == []


@by_trial
def test_the_gravest_caution_of_a_suggestion_stands_in_the_line(name: str) -> None:
    answer, short = both(name)
    cautions = [caution for caution in answer.titration.advice.cautions if not caution.slug.startswith("trial-")]
    grave = [caution for caution in cautions if caution.of_this_patient and caution.severity is not Severity.LOW]

    if short.number:
        words = (grave[0].in_few_words or ENGLISH[f"against.{grave[0].slug}"]) if grave else ""
        assert short.against == (f"Against: {words}." if words else "")
    elif grave and grave[0].severity is Severity.HIGH:
        assert short.against == f"Look first: {ENGLISH[f'against.{grave[0].slug}']}."


@by_trial
def test_no_fact_stands_twice(name: str) -> None:
    _, short = both(name)
    clauses = re.split(r"[.;:] ", " ".join((short.line, *short.reasons)))

    assert len(clauses) == len(set(clauses))


def test_whatever_can_speak_against_an_answer_has_a_short_form() -> None:
    short = {name.removeprefix("against."): text for name, text in ENGLISH.items() if name.startswith("against.")}
    cautions = {name.removeprefix("caution.") for name in ENGLISH if name.startswith("caution.")}
    observed = {slug for slug, severity in SEVERITY_OF_OBSERVED.items() if severity is not Severity.LOW}

    assert (cautions | observed) - set(short) == {"oxygen-changed"}  # of low severity
    assert max(len(words.split()) for words in short.values()) <= 7
