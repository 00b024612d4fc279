"""Feedback: taken as the standard shapes it, and logged without anything of the patient."""

from __future__ import annotations

import json
import logging
from typing import Any

import pytest
from starlette.types import ASGIApp

from ebbmark import __version__
from ebbmark.fhir.naming import CODE_SYSTEM
from web.asking import Reply
from web.hooks.calling import CALL, call, hooks_app

CARD = "4e0a3a1e-3283-4575-ab82-028d55fe2719"
SUGGESTION = "e56e1945-20b3-4393-8503-a1a20fd73152"
ACCEPTED: dict[str, object] = {
    "card": CARD,
    "outcome": "accepted",
    "acceptedSuggestions": [{"id": SUGGESTION}],
    "outcomeTimestamp": "2021-12-11T10:05:31Z",
}
OVERRIDDEN: dict[str, object] = {"card": CARD, "outcome": "overridden", "outcomeTimestamp": "2020-12-11T00:00:00Z"}
COMMENT = "Frau Beispiel is too unstable, call me on extension 4711"


@pytest.fixture(scope="module")
def app() -> ASGIApp:
    return hooks_app()


def told(app: ASGIApp, *entries: object) -> Reply:
    return call(app, {"feedback": list(entries)}, path=f"{CALL}/feedback")


def lines(caplog: pytest.LogCaptureFixture) -> list[dict[str, Any]]:
    return [json.loads(record.getMessage()) for record in caplog.records if record.name == "ebbmark.audit.hooks"]


@pytest.fixture
def log(caplog: pytest.LogCaptureFixture) -> pytest.LogCaptureFixture:
    caplog.set_level(logging.INFO, logger="ebbmark.audit")
    return caplog


def test_an_accepted_suggestion_is_one_line(app: ASGIApp, log: pytest.LogCaptureFixture) -> None:
    reply = told(app, ACCEPTED)

    assert (reply.status, reply.json) == (200, {"received": 1})
    assert lines(log) == [
        {
            "event": "cds-feedback",
            "recorded": "2026-03-01T09:40:00Z",
            "software": f"ebbmark-{__version__}",
            "client": "",
            "card": CARD,
            "outcome": "accepted",
            "at": "2021-12-11T10:05:31Z",
            "suggestions": [SUGGESTION],
            "commented": False,
        }
    ]


def test_a_card_put_aside_without_a_reason_is_one_line(app: ASGIApp, log: pytest.LogCaptureFixture) -> None:
    assert told(app, OVERRIDDEN).status == 200
    (line,) = lines(log)

    assert line["outcome"] == "overridden"
    assert "reason" not in line


def test_a_reason_of_ours_is_logged_by_its_code(app: ASGIApp, log: pytest.LogCaptureFixture) -> None:
    reason = {"reason": {"system": CODE_SYSTEM, "code": "other-peep-chosen"}}

    told(app, {**OVERRIDDEN, "overrideReason": reason})

    assert lines(log)[0]["reason"] == "other-peep-chosen"


def test_a_reason_of_somebody_else_is_logged_as_other(app: ASGIApp, log: pytest.LogCaptureFixture) -> None:
    reason = {"reason": {"system": "https://ehr.example/reasons", "code": "Frau-Beispiel-refused"}}

    told(app, {**OVERRIDDEN, "overrideReason": reason})

    assert lines(log)[0]["reason"] == "other"
    assert "Beispiel" not in log.text


def test_what_a_person_wrote_never_reaches_the_log(app: ASGIApp, log: pytest.LogCaptureFixture) -> None:
    told(app, {**OVERRIDDEN, "overrideReason": {"userComment": COMMENT}})

    assert lines(log)[0]["commented"] is True
    assert not any(word in log.text for word in ("Beispiel", "4711", "unstable,"))


def test_several_cards_at_once_are_one_line_each(app: ASGIApp, log: pytest.LogCaptureFixture) -> None:
    assert told(app, ACCEPTED, OVERRIDDEN, ACCEPTED).json == {"received": 3}
    assert len(lines(log)) == 3


def test_what_is_sent_again_is_taken_again(app: ASGIApp) -> None:
    assert told(app, ACCEPTED).status == told(app, ACCEPTED).status == 200


@pytest.mark.parametrize(
    ("changes", "place"),
    [
        ({"card": ...}, "feedback[0].card"),
        ({"card": "Frau Beispiel"}, "feedback[0].card"),
        ({"outcome": ...}, "feedback[0].outcome"),
        ({"outcome": "ignored"}, "feedback[0].outcome"),
        ({"acceptedSuggestions": ...}, "feedback[0].acceptedSuggestions"),
        ({"acceptedSuggestions": []}, "feedback[0].acceptedSuggestions"),
        ({"acceptedSuggestions": [{"id": "1"}]}, "feedback[0].acceptedSuggestions[0].id"),
        ({"acceptedSuggestions": "all"}, "feedback[0]"),
        ({"outcome": "overridden"}, "feedback[0].acceptedSuggestions"),
        ({"outcomeTimestamp": ...}, "feedback[0].outcomeTimestamp"),
        ({"outcomeTimestamp": "yesterday"}, "feedback[0].outcomeTimestamp"),
        ({"outcomeTimestamp": "2021-12-11T10:05:31"}, "feedback[0].outcomeTimestamp"),
        ({"overrideReason": "unwilling"}, "feedback[0]"),
    ],
    ids=str,
)
def test_what_is_wrong_is_named_and_nothing_is_logged(
    app: ASGIApp, log: pytest.LogCaptureFixture, changes: dict[str, object], place: str
) -> None:
    entry = {name: value for name, value in {**ACCEPTED, **changes}.items() if value is not ...}

    reply = told(app, OVERRIDDEN, entry) if place == "" else told(app, entry)

    assert reply.status == 400
    assert [error["expression"] for error in reply.errors] == [[place]]
    assert lines(log) == []
    assert "Beispiel" not in reply.body.decode()


@pytest.mark.parametrize(
    "body", [{}, {"feedback": None}, {"feedback": []}, {"feedback": {}}, {"feedback": [OVERRIDDEN] * 201}]
)
def test_feedback_is_an_array_that_holds_something(app: ASGIApp, body: dict[str, object]) -> None:
    reply = call(app, body, path=f"{CALL}/feedback")

    assert reply.status == 400
    assert reply.errors[0]["expression"] == ["feedback"]


def test_one_bad_entry_and_none_is_logged(app: ASGIApp, log: pytest.LogCaptureFixture) -> None:
    reply = told(app, ACCEPTED, {**ACCEPTED, "card": "x"})

    assert reply.errors[0]["expression"] == ["feedback[1].card"]
    assert lines(log) == []
