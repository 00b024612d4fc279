"""No sentence that leaves this service asks anyone to raise pressure or to perform a recruitment, whatever came in."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bedside_builders import asked, body_of, condition, parameter, row, rows_down, stamp
from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP
from ebbmark.fhir.problems import Rejected, operation_outcome
from ebbmark.fhir.reading.request import NO_SITE, RequestContext
from ebbmark.fhir.writing.write import write_bundle, write_bundle_bytes
from ebbmark.use_cases.questions import ANSWERS, answer_request
from ebbmark.web.plan_page import plan_page
from fhir_builders import Json

PACKAGE = Path(__file__).parents[2] / "service" / "ebbmark"
FIXTURES = sorted((Path(__file__).parents[2] / "fixtures").glob("*/request.json"))

VERBS = (
    r"raise|increase|recruit|re-?open|inflate|perform|repeat|redo|apply|give|deliver|hold|use|try|do|start|begin|"
    r"consider|attempt|carry out|go up|step up|turn up|titrate up"
)
PRESSURE = r"pressure|peep|recruit\w*|man(?:oe|eu)vre|inflation|lungs?|cmh2o|sigh|breath hold|titration"
ORDERS = re.compile(
    rf"(?:^|[.!?;:,]\s+|\n|\bplease\s+|\bthen\s+|\bnow\s+)(?:please\s+)?(?:{VERBS})\b[^.!?;]*\b(?:{PRESSURE})\b",
    re.IGNORECASE,
)
ADVICE = re.compile(
    r"\b(?:should|must|needs? to|ought to|has to|have to|is to|are to)\s+be\s+"
    r"(?:raised|increased|recruited|re-?opened|inflated|repeated)\b"
    r"|\b(?:recommend|advise|suggest|consider|require|need)s?\s+(?:a\s+|another\s+|to\s+)?"
    r"(?:rais\w+|increas\w+|recruit\w*|re-?open\w*|inflat\w+|higher pressure)"
    r"|\b(?:recruitment|re-?opening|a higher pressure)\s+is\s+(?:needed|recommended|advised|indicated|required)",
    re.IGNORECASE,
)


def prompts(text: str) -> list[str]:
    """What in this text asks for pressure."""
    return [match.group().strip() for pattern in (ORDERS, ADVICE) for match in pattern.finditer(text)]


@pytest.mark.parametrize(
    "order",
    [
        "Raise PEEP to 16 cmH2O.",
        "Closing was passed. Increase pressure now.",
        "Recruit the lung first.",
        "Re-open the lung, then set PEEP.",
        "Inflate to a pressure of 40 cmH2O for 40 s.",
        "Perform a recruitment manoeuvre.",
        "The circuit was open: repeat the titration.",
        "Apply 40 cmH2O for 40 s.",
        "Please consider a sigh.",
        "PEEP should be raised.",
        "The lung must be re-opened.",
        "We recommend recruitment before the next step.",
        "Consider raising it.",
        "Recruitment is indicated.",
        "Look at the patient, then raise pressure.",
    ],
)
def test_the_search_finds_an_order_where_there_is_one(order: str) -> None:
    assert prompts(order)


@pytest.mark.parametrize(
    "statement",
    [
        "PEEP was raised from 8 to 16 cmH2O.",
        "Common practice is to repeat the titration after any disconnection.",
        "Guidelines recommend against prolonged high-pressure recruitment.",
        "The next step of the staircase is 10 cmH2O.",
        "Look at the patient first; no lower step is named from these readings.",
        "Nobody is ever asked to raise pressure.",
    ],
)
def test_the_search_leaves_a_statement_alone(statement: str) -> None:
    assert not prompts(statement)


def texts(thing: object) -> Iterator[str]:
    """Every text with more than one word."""
    if isinstance(thing, dict):
        for item in thing.values():
            yield from texts(item)
    elif isinstance(thing, list):
        for item in thing:
            yield from texts(item)
    elif isinstance(thing, str) and " " in thing:
        yield thing


def said_to(operation: str, resources: list[Json], *given: Json, now: str) -> list[str]:
    """All texts of the answer, or of the refusal."""
    try:
        return list(texts(asked(operation, resources, *given, now=now, sound=False).bundle))
    except Rejected as rejected:
        return list(texts(operation_outcome(rejected.problems)))


@st.composite
def moments(draw: st.DrawFn) -> tuple[list[Json], str]:
    """A way down of any shape, stopped anywhere, with rescues, open circuits, vital signs good, bad and missing."""
    count = draw(st.integers(1, 8))
    compliances = [draw(st.sampled_from([22.0, 30.0, 36.0, 40.0, 44.0])) for _ in range(count)]
    vitals: dict[str, Any] = draw(
        st.fixed_dictionaries(
            {},
            optional={
                "spo2": st.sampled_from([78.0, 88.0, 95.0]),
                "map": st.sampled_from([38.0, 62.0, 90.0]),
                "heart_rate": st.sampled_from([30.0, 80.0, 190.0]),
                "peak": st.sampled_from([28.0, 54.0]),
                "inspired": st.sampled_from([400.0, 620.0]),
                "fio2": st.sampled_from([40.0, 90.0]),
            },
        )
    )
    down = [(20.0 - 2 * place, compliance) for place, compliance in enumerate(compliances)]
    rows = rows_down(down, rows=draw(st.integers(1, 2)), **vitals)
    end = 2.0 * count
    if draw(st.booleans()):
        rows += rows_down([(18.0, 40.0), (16.0, 41.0)], start=end, name="again", **vitals)
        end += 4
    if draw(st.integers(0, 3)) == 0:
        rows.append(row(stamp(end - 0.1), "open", peep=0.0, expired=0.0))
    if draw(st.integers(0, 3)) == 0:
        rows.append(row(stamp(-30), "rest", peep_set=10.0, fio2=60.0, pao2=64.0, paco2=50.0))
    return rows, stamp(end + draw(st.sampled_from([0.0, 3.0, 12.0, 70.0])))


@given(moments(), st.sampled_from(sorted(ANSWERS)), st.sampled_from(["J93.0", "R57.1", "J44.0", "Z99.9", ""]))
@settings(max_examples=250, deadline=None)
def test_no_answer_and_no_refusal_asks_for_pressure(moment: tuple[list[Json], str], operation: str, code: str) -> None:
    resources, now = moment
    conditions = [condition("c", code)] if code else []

    for text in said_to(operation, [*resources, *conditions], now=now):
        assert prompts(text) == [], text


@pytest.mark.parametrize("variant", ["decremental-only", "with-recruitment"])
@pytest.mark.parametrize("staircase", [staircase.slug for staircase in NO_SITE.staircases])
def test_no_plan_orders_what_it_lays_out(variant: str, staircase: str) -> None:
    settings_now = [
        row(stamp(40), "settings", peep_set=10.0, fio2=60.0),
        row(stamp(45), "breath", plateau=24.0, expired=360.0, peak=29.0),
    ]
    given = [parameter("variant", variant), parameter("staircase", staircase)]
    for text in said_to("plan-trial", settings_now, *given, now=stamp(60)):
        assert prompts(text) == [], text


def test_the_page_to_print_orders_nothing() -> None:
    settings_now = [
        row(stamp(40), "settings", peep_set=10.0, fio2=60.0),
        row(stamp(45), "breath", plateau=24.0, expired=360.0, peak=29.0),
    ]
    body = body_of(settings_now, [parameter("variant", "with-recruitment")])
    answer = answer_request(BY_SLUG["plan-trial"], body, RequestContext(1772362800.0))
    assert write_bundle_bytes(answer, recorded_s=1772362800.0)

    plain = re.sub(r"<style>.*?</style>|<[^>]+>", "\n", plan_page(answer), flags=re.DOTALL)

    assert prompts(plain) == []


@pytest.mark.parametrize("path", FIXTURES, ids=lambda path: str(path.parent.name))
def test_no_titration_asks_for_pressure(path: Path) -> None:
    bundle = write_bundle(
        answer_request(TITRATE_PEEP, path.read_bytes(), RequestContext(1_790_000_000.0)), recorded_s=1_790_000_000.0
    )

    for text in texts(json.loads(json.dumps(bundle, default=float))):
        assert prompts(text) == [], text


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_sentence_in_the_code_asks_for_pressure(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    documentation = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documentation:
            assert prompts(node.value) == [], node.value
