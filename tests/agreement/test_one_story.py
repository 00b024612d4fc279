"""One trial, one story: every door says of the same readings what `$titrate-peep` says of them.

The fixtures and several hundred drawn trials of ten kinds are given to each question, to the card, the page, the
command line and the report. Compared are the verdict on closing, the pressure with its interval and probabilities, the
suggested PEEP and the cautions.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from agreement.drawn import KINDS, TWO, Drawn, drawn
from ebbmark.cli import main
from ebbmark.fhir.answer import Amount, Answer, Coded, Statement
from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.sentences import closing_sentence
from ebbmark.fhir.writing.titration import with_source
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.physiology.advice import Severity
from ebbmark.physiology.closing.result import Verdict
from ebbmark.use_cases.questions import answer_request
from ebbmark.views.sheet import report_pdf
from ebbmark.web.hooks.card_text import escaped
from ebbmark.web.page.answer_view import answer_view
from ebbmark.words.messages import level
from ebbmark.words.titration import found_words
from fhir_builders import Json, bundle, height, parameters, patient, to_bytes
from web.asking import ask as ask_door
from web.asking import plain_app
from web.hooks.calling import call, called, cards, hooks_app, prefetch, searchset

FIXTURES = Path(__file__).parents[2] / "fixtures"
EACH = 30
"""Drawn trials of every kind."""
LATER_S = 1_900_000_000.0


@dataclass(frozen=True, slots=True)
class Told:
    """One trial and what `$titrate-peep` tells of it; None where it refuses, with the kinds of its problems."""

    name: str
    body: bytes
    trial: Drawn | None
    story: Answer | None
    refused: tuple[str, ...] = ()

    @property
    def known(self) -> Answer:
        assert self.story is not None
        return self.story


def told(name: str, body: bytes, trial: Drawn | None, at_s: float) -> Told:
    try:
        return Told(name, body, trial, answer_request(TITRATE_PEEP, body, RequestContext(at_s)))
    except Rejected as rejected:
        return Told(name, body, trial, None, tuple(problem.kind.value[0] for problem in rejected.problems))


@lru_cache
def stories() -> dict[str, list[Told]]:
    """All trials by kind."""
    found: dict[str, list[Told]] = {"fixtures": []}
    for file in sorted(FIXTURES.glob("*/request.json")):
        request = json.loads(file.read_bytes())
        # Only the titration takes a margin.
        if "parameter" in request:
            request["parameter"] = [one for one in request["parameter"] if one["name"] != "margin"]
        found["fixtures"].append(told(file.parent.name, to_bytes(request), None, LATER_S))
    for one in drawn(EACH):
        kind = one.name.rpartition("-")[0]
        found.setdefault(kind, []).append(told(one.name, one.body(), one, one.at_s(60)))
    return found


ALL_KINDS = ["fixtures", *KINDS, TWO]
every_kind = pytest.mark.parametrize("kind", ALL_KINDS)


def answered(question: str, body: bytes, at_s: float) -> Answer | tuple[str, ...]:
    """The answer to a question, or the kinds of problems for which it is refused."""
    try:
        return answer_request(BY_SLUG[question], body, RequestContext(at_s))
    except Rejected as rejected:
        return tuple(problem.kind.value[0] for problem in rejected.problems)


def of_trial(one: Told, *, seconds: float = 60.0) -> float:
    return one.trial.at_s(seconds) if one.trial is not None else LATER_S


def statements(answer: Answer, prefix: str) -> list[Statement]:
    return [statement for statement in answer.statements if statement.kind.startswith(prefix)]


def amount(value: object) -> float | None:
    return value.value if isinstance(value, Amount) else None


def part(statement: Statement, code: str) -> object:
    found = dict(statement.parts).get(code)
    return found.code if isinstance(found, Coded) else amount(found)


def disagreements(kind: str, differ: Callable[[Told], object], *, each: int = 1) -> list[str]:
    """Names of the trials of which a door tells something else, each with what; of every so many where it is slow."""
    found = [(one.name, differ(one)) for one in [one for one in stories()[kind] if one.story is not None][::each]]
    return [f"{name}: {what}" for name, what in found if what]


class TestOneStory:
    """What `$titrate-peep` says, and what every other door says of the same readings."""

    def test_the_drawn_trials_hold_what_they_are_named_for(self) -> None:
        verdicts = {
            kind: [one.known.titration.closing.verdict for one in every if one.story is not None]
            for kind, every in stories().items()
        }

        assert sum(len(every) for every in verdicts.values()) >= 250
        assert set(verdicts["circuit-opened"]) & {Verdict.INDETERMINATE}
        assert verdicts["not-reached"].count(Verdict.NOT_REACHED) > EACH / 2
        assert verdicts["falling-from-the-first-step"].count(Verdict.FALLING_FROM_FIRST_STEP) > EACH / 4
        for kind in ("static", "dynamic", TWO):
            assert verdicts[kind].count(Verdict.FOUND) > EACH / 3, kind
        assert {one.known.titration.trial.kind.static for one in stories()["dynamic"] if one.story} == {False}

    @every_kind
    def test_without_closing_there_is_no_suggestion(self, kind: str) -> None:
        def differ(one: Told) -> object:
            closing, advice = one.known.titration.closing, one.known.titration.advice
            found = closing.verdict is Verdict.FOUND and closing.peep_cmh2o is not None
            return advice.suggested_peep_cmh2o is not None and not found

        assert disagreements(kind, differ) == []

    @every_kind
    def test_the_door_gives_the_bytes_of_the_use_case(self, kind: str) -> None:
        app = plain_app()

        def differ(one: Told) -> object:
            body = with_as_of(one)
            mine = write_bundle(answer_request(TITRATE_PEEP, body, RequestContext(LATER_S)), recorded_s=LATER_S)
            theirs = ask_door(app, body).json
            return without_recorded(theirs) != without_recorded(mine)

        assert disagreements(kind, differ) == []

    @every_kind
    def test_follow_trials_tells_the_same_of_the_last_trial(self, kind: str) -> None:
        def differ(one: Told) -> object:
            answer = answered("follow-trials", one.body, of_trial(one))
            if not isinstance(answer, Answer):
                return answer
            last = statements(answer, "trial-")[-1]
            low, high = one.known.titration.closing.interval_cmh2o or (None, None)
            mine = (
                one.known.titration.closing.verdict.value,
                one.known.titration.closing.peep_cmh2o,
                low,
                high,
                one.known.titration.advice.suggested_peep_cmh2o,
                one.known.titration.trial.kind.slug,
            )
            theirs = (
                part(last, "closing-verdict"),
                amount(last.value),
                part(last, "interval-low"),
                part(last, "interval-high"),
                part(last, "peep-suggested-then"),
                part(last, "compliance-kind"),
            )
            return (mine, theirs) if mine != theirs else None

        assert disagreements(kind, differ) == []

    @every_kind
    def test_compare_markers_tells_the_same_of_closing(self, kind: str) -> None:
        def differ(one: Told) -> object:
            answer = answered("compare-markers", one.body, of_trial(one))
            if not isinstance(answer, Answer):
                return answer
            mine = closing_sentence(one.known.titration.closing)
            return None if mine in answer.said else (mine, answer.said[:3])

        assert disagreements(kind, differ) == []

    @every_kind
    def test_check_validity_compares_with_the_same_suggestion(self, kind: str) -> None:
        def differ(one: Told) -> object:
            if one.trial is None:
                return None
            suggested = one.known.titration.advice.suggested_peep_cmh2o
            after = one.trial.set_to(suggested or one.trial.last_cmh2o + 4, 240)
            answer = answered("check-validity", one.trial.body(*after), one.trial.at_s(900))
            if not isinstance(answer, Answer):
                return answer
            if suggested is None:
                expected = f"no PEEP is suggested: {one.known.titration.advice.rationale}"
            else:
                expected = f"The suggested PEEP of {level(suggested)} cmH2O was computed from the trial"
            return None if any(expected in said for said in answer.said) else (expected, answer.said)

        assert disagreements(kind, differ) == []

    @every_kind
    def test_compare_settings_tells_the_same_of_overdistension(self, kind: str) -> None:
        def differ(one: Told) -> object:
            if one.trial is None:
                return None
            after = one.trial.set_to(one.known.titration.advice.suggested_peep_cmh2o or one.trial.last_cmh2o + 4, 240)
            answer = answered("compare-settings", one.trial.body(*after), one.trial.at_s(3600))
            if not isinstance(answer, Answer):
                return answer
            (top,) = statements(answer, "overdistension-at-top")
            cautioned = any(each.slug == "overdistension-at-top" for each in one.known.titration.advice.cautions)
            shown = isinstance(top.value, Coded) and top.value.code == "shown"
            # The caution is about a fall that is told apart from it: where nothing is said of one, there is none.
            stated = one.known.titration.closing.verdict in (Verdict.FOUND, Verdict.NOT_REACHED)
            return (cautioned, top.value) if shown and stated and not cautioned else None

        assert disagreements(kind, differ) == []

    @every_kind
    def test_a_setting_after_the_trial_changes_nothing_of_its_story(self, kind: str) -> None:
        def differ(one: Told) -> object:
            if one.trial is None:
                return None
            later = answer_request(
                TITRATE_PEEP,
                one.trial.body(*one.trial.set_to(one.trial.last_cmh2o + 4, 240)),
                RequestContext(one.trial.at_s(900)),
            )
            mine, theirs = (
                (each.titration.closing, each.titration.advice.suggested_peep_cmh2o, each.titration.advice.rationale)
                for each in (one.known, later)
            )
            return mine != theirs

        assert disagreements(kind, differ) == []

    @every_kind
    def test_next_step_calls_closing_on_no_trial_of_which_it_is_said_that_closing_was_not_reached(
        self, kind: str
    ) -> None:
        def differ(one: Told) -> object:
            answer = answered("next-step", one.body, of_trial(one))
            if not isinstance(answer, Answer) or one.trial is None:
                return None
            (move,) = statements(answer, "next-step")
            closed = isinstance(move.value, Coded) and move.value.code == "closing-passed"
            opened = any(each.slug == "disconnection" for each in one.known.titration.trial.observed)
            return closed and (opened or one.known.titration.closing.verdict is Verdict.NOT_REACHED)

        assert disagreements(kind, differ) == []

    @every_kind
    def test_next_step_names_the_step_of_closing_as_the_titration_does(self, kind: str) -> None:
        def differ(one: Told) -> object:
            answer = answered("next-step", one.body, of_trial(one))
            if not isinstance(answer, Answer) or one.trial is None or kind == TWO:
                return None
            (move,) = statements(answer, "next-step")
            closing = one.known.titration.closing
            called = isinstance(move.value, Coded) and move.value.code == "closing-passed"
            if not called or closing.verdict is not Verdict.FOUND:
                return None
            mine = found_words(closing)
            return None if mine in answer.said[0] and mine in answer.short.reasons else (mine, answer.said[0])

        assert disagreements(kind, differ) == []

    @every_kind
    def test_next_step_is_never_surer_that_closing_was_passed(self, kind: str) -> None:
        def differ(one: Told) -> object:
            answer = answered("next-step", one.body, of_trial(one))
            if not isinstance(answer, Answer) or one.trial is None or kind == TWO:
                return None
            (move,) = statements(answer, "next-step")
            passed, closing = part(move, "closing-passed-probability"), one.known.titration.closing
            if not isinstance(passed, float) or not closing.probability:
                return None
            # During a trial each further step is weighed as one more chance to go on: the same events, less sure.
            return (1.0 - closing.not_reached, passed) if passed > 1.0 - closing.not_reached + 0.001 else None

        assert disagreements(kind, differ) == []

    @every_kind
    def test_the_card_tells_the_same(self, kind: str) -> None:
        def differ(one: Told) -> object:
            if one.trial is None or kind == TWO:
                return None
            app = hooks_app(at_s=one.trial.at_s(900))
            rows = [*one.trial.observations, *one.trial.set_to(one.trial.last_cmh2o + 4, 240)]
            given = prefetch(mechanics=searchset(), panels=searchset(*rows), circulation=searchset())
            found = cards(call(app, called(prefetch=given)))
            if not found:
                return None if one.known.titration.closing.verdict is not Verdict.FOUND else "no card"
            (card,) = found
            same = answer_request(
                TITRATE_PEEP,
                to_bytes(parameters(bundle=bundle(patient(), height(), *rows))),
                RequestContext(one.trial.at_s(900)),
            )
            advice = same.titration.advice
            grave = [each for each in advice.cautions if each.of_this_patient and each.severity is not Severity.LOW]
            texts = [same.short.line, *same.short.reasons, *[with_source(each) for each in grave[:3]]]
            missing = [text for text in texts if escaped(text) not in card["detail"]]
            suggested = advice.suggested_peep_cmh2o
            words = "no PEEP is suggested" if suggested is None else f"suggested PEEP {level(suggested)} cmH2O"
            return missing or (None if words.lower() in card["summary"].lower() else (words, card["summary"]))

        assert disagreements(kind, differ, each=3) == []

    @every_kind
    def test_the_page_tells_the_same(self, kind: str) -> None:
        def differ(one: Told) -> object:
            view = answer_view(one.known, now_s=of_trial(one), zone=UTC)
            closing, advice = one.known.titration.closing, one.known.titration.advice
            # What the line and the rationale say of the estimate does not stand a third time.
            stated = closing.verdict is not Verdict.INDETERMINATE
            mine = (stated, advice.rationale, {each.text for each in advice.cautions})
            shown = [each.text for each in (*view.high, *view.moderate, *view.slight)]
            shown += [text for _, texts in view.general for text in texts]
            theirs = (f"evidence is {closing.evidence.value}" in view.evidence, view.rationale, set(shown))
            return (mine, theirs) if mine != theirs else None

        assert disagreements(kind, differ) == []

    @every_kind
    def test_the_command_line_tells_the_same(
        self, kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        def differ(one: Told) -> object:
            (tmp_path / "request.json").write_bytes(with_as_of(one))
            code = main(["evaluate", str(tmp_path / "request.json"), "--format", "json"])
            said = json.loads(capsys.readouterr().out)
            closing, advice = one.known.titration.closing, one.known.titration.advice
            mine = {
                "verdict": closing.verdict.value,
                "closing_pressure_cmh2o": closing.peep_cmh2o,
                "interval_cmh2o": list(closing.interval_cmh2o) if closing.interval_cmh2o else None,
                "suggested_peep_cmh2o": advice.suggested_peep_cmh2o,
                "closing_remark": closing_sentence(closing),
                "rationale": advice.rationale,
            }
            theirs = {name: said[name] for name in mine}
            cautions = {with_source(each) for each in advice.cautions if each.of_this_patient}
            if cautions != {each["text"] for each in said["cautions"]}:
                return "cautions"
            for name, value in (
                ("verdict_probability", closing.probability),
                ("not_reached_probability", closing.not_reached),
                ("falling_from_first_step_probability", closing.falling_from_first_step),
            ):
                if said[name] is not None and abs(said[name] - value) > 0.0005000001:
                    return name
            return (
                (mine, theirs, code)
                if mine != theirs or (code == 0) is (mine["suggested_peep_cmh2o"] is None)
                else None
            )

        assert disagreements(kind, differ) == []

    @every_kind
    def test_the_report_tells_the_same(self, kind: str, tmp_path: Path) -> None:
        def differ(one: Told) -> object:
            (tmp_path / "page.pdf").write_bytes(report_pdf(one.known, recorded_s=LATER_S))
            text = plain("".join(page.extract_text() for page in PdfReader(tmp_path / "page.pdf").pages))
            return (
                None
                if plain(one.known.titration.advice.rationale)[:300] in text
                else one.known.titration.advice.rationale
            )

        # A page takes a tenth of a second to set.
        assert disagreements(kind, differ, each=10) == []

    @every_kind
    def test_what_cannot_be_titrated_is_refused_for_the_same_reason(self, kind: str) -> None:
        for one in stories()[kind]:
            if one.story is not None:
                continue
            for question in ("follow-trials", "compare-markers"):
                assert answered(question, one.body, of_trial(one)) == one.refused, (one.name, question)

    def test_a_later_of_two_trials_is_told_as_if_it_came_alone(self) -> None:
        differing = []
        for one in stories()[TWO]:
            assert one.trial is not None
            alone = [row for row in one.trial.observations if str(row["id"]).startswith("second")]
            body = to_bytes(parameters(bundle=bundle(patient(), height(), *alone)))
            mine = answer_request(TITRATE_PEEP, body, RequestContext(one.trial.at_s(60)))
            if (mine.titration.closing, mine.titration.advice.rationale) != (
                one.known.titration.closing,
                one.known.titration.advice.rationale,
            ):
                differing.append(one.name)

        assert differing == []


def with_as_of(one: Told) -> bytes:
    """The same request with the instant that counts as now, for doors that have a clock of their own."""
    if one.trial is None:
        return one.body
    return one.trial.body(as_of=one.trial.end.isoformat())


def without_recorded(answer: Any) -> str:  # noqa: ANN401
    copied: Json = json.loads(json.dumps(answer))
    for entry in copied["entry"]:  # type: ignore[attr-defined]
        entry["resource"].pop("recorded", None)
    return json.dumps(copied, sort_keys=True)


def plain(text: str) -> str:
    """Letters and digits alone: a page breaks lines and words."""
    return "".join(character for character in text if character.isalnum())
