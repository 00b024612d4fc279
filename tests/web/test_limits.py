"""How often one client may ask."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from ebbmark.web.shared_store import RateLimit, RequestRates
from fhir_builders import to_bytes, trial_bundle
from web.asking import FHIR, OPERATION, Reply, ask
from web.reading_pages import words_of

TRIAL = to_bytes(trial_bundle())


def rates(per_minute: float = 60, burst: int = 3, most_clients: int = 10) -> RequestRates:
    return RequestRates(RateLimit(per_minute, burst), most_clients)


def test_a_burst_may_come_at_once_and_then_one_per_second() -> None:
    bucket = rates()

    at_once = [bucket.wait_s("a", at_s=100.0) for _ in range(4)]

    assert at_once == [None, None, None, 1.0]
    assert bucket.wait_s("a", at_s=100.5) == 0.5
    assert bucket.wait_s("a", at_s=101.0) is None
    assert bucket.wait_s("a", at_s=101.0) == 1.0


def test_after_a_pause_the_burst_is_back_and_no_more_than_that() -> None:
    bucket = rates()
    for _ in range(3):
        bucket.wait_s("a", at_s=0.0)

    later = [bucket.wait_s("a", at_s=10_000.0) is None for _ in range(4)]

    assert later == [True, True, True, False]


def test_one_client_does_not_use_up_what_another_has() -> None:
    bucket = rates(burst=1)

    assert [bucket.wait_s(client, at_s=0.0) for client in "aab"] == [None, 1.0, None]


def test_what_is_remembered_is_bounded_and_the_one_unused_for_longest_goes_first() -> None:
    bucket = rates(burst=1, most_clients=2)

    for client in ("a", "b", "a", "c"):
        bucket.wait_s(client, at_s=0.0)

    assert list(bucket._left) == ["a", "c"]


@given(st.lists(st.floats(0, 5), min_size=1, max_size=60), st.integers(1, 5))
def test_never_more_pass_than_the_burst_and_the_time_allow(pauses_s: list[float], burst: int) -> None:
    bucket, at_s, passed = rates(per_minute=60, burst=burst), 0.0, 0
    for pause_s in pauses_s:
        at_s += pause_s
        passed += bucket.wait_s("a", at_s=at_s) is None

    assert passed <= burst + at_s + 1e-6


def test_a_client_that_asks_too_often_is_told_when_to_come_back() -> None:
    app = create_app(Settings(requests_per_minute=1, request_burst=2))

    replies = [ask(app, TRIAL) for _ in range(3)]

    assert [reply.status for reply in replies] == [200, 200, 429]
    assert 1 <= int(replies[2].headers["retry-after"]) <= 60
    assert replies[2].errors[0]["code"] == "throttled"
    assert "ask again in" in replies[2].errors[0]["details"]["text"]


def test_definitions_health_and_keys_are_not_counted() -> None:
    app = create_app(Settings(requests_per_minute=1, request_burst=1))

    paths = ["/fhir/metadata", "/health/live", "/health/ready", "/.well-known/jwks.json", "/openapi.json"] * 3

    assert {ask(app, method="GET", path=path).status for path in paths} == {200}
    assert ask(app, TRIAL).status == 200


def test_without_sign_in_nothing_is_counted_unless_told_to() -> None:
    app = create_app(Settings(request_burst=1))

    assert [ask(app, b"{}", path=OPERATION, headers=FHIR).status for _ in range(5)] == [400] * 5


def test_launches_are_counted_by_address_and_pages_of_a_record_by_tab_and_refused_as_pages() -> None:
    record = {"iss": "https://record.example/fhir", "client_id": "ebbmark"}
    settings = {"smart_clients": [record], "requests_per_minute": 1, "request_burst": 2}
    app = create_app(Settings.model_validate(settings))

    def replies(path: str) -> list[Reply]:
        return [ask(app, b"", path=path, method="GET") for _ in range(3)]

    launches, one, other = replies("/launch"), replies(f"/app/{'a' * 22}/"), replies(f"/app/{'b' * 22}/running")

    assert [reply.status for reply in launches] == [400, 400, 429]
    assert [reply.status for reply in one] == [401, 401, 429]
    assert [reply.status for reply in other] == [401, 401, 429]
    assert "Too many requests" in words_of(one[2].body)
    assert 1 <= int(one[2].headers["retry-after"]) <= 60


def test_pages_are_not_counted_where_there_is_no_limit() -> None:
    record = {"iss": "https://record.example/fhir", "client_id": "ebbmark"}
    app = create_app(Settings.model_validate({"smart_clients": [record], "request_burst": 1}))

    assert [ask(app, b"", path="/launch", method="GET").status for _ in range(3)] == [400, 400, 400]
