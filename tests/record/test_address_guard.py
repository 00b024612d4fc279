from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmark.record.connection import AddressRefusal, refusal_of, same_server

BASE = "https://record.example/fhir"


@pytest.mark.parametrize(
    "address",
    [
        BASE,
        BASE + "/",
        BASE + "/Observation/1/_history/2",
        BASE + "?_getpages=a1&_count=20",
        "https://RECORD.example/fhir/Patient",
        "https://record.example:443/fhir/Patient",
        "https://record.example/fhir/Patient/%20%7C%C3%A9",
    ],
)
def test_the_listed_base_and_what_lies_below_it_may_be_called(address: str) -> None:
    assert refusal_of(address, (BASE,)) is None


@pytest.mark.parametrize(
    ("address", "refusal"),
    [
        ("https://other.example/fhir", AddressRefusal.NOT_LISTED),
        ("https://record.example.evil.example/fhir", AddressRefusal.NOT_LISTED),
        ("https://record.example/", AddressRefusal.NOT_LISTED),
        ("https://record.example/fhirs", AddressRefusal.NOT_LISTED),
        ("https://record.example/FHIR", AddressRefusal.NOT_LISTED),
        ("https://record.example:8443/fhir", AddressRefusal.NOT_LISTED),
        ("https://record.example./fhir", AddressRefusal.NOT_LISTED),
        ("http://record.example/fhir", AddressRefusal.NOT_ENCRYPTED),
        ("http://localhost.evil.example/fhir", AddressRefusal.NOT_ENCRYPTED),
        ("http://169.254.169.254/fhir", AddressRefusal.NOT_ENCRYPTED),
        ("https://someone@record.example/fhir", AddressRefusal.USER_INFO),
        ("https://record.example@evil.example/fhir", AddressRefusal.USER_INFO),
        ("https://record.example/fhir/../admin", AddressRefusal.DISGUISED),
        ("https://record.example/fhir/%2e%2e/admin", AddressRefusal.DISGUISED),
        ("https://record.example/fhir/%252e%252e/admin", AddressRefusal.DISGUISED),
        ("https://record.example/fhir%2f..%2fadmin", AddressRefusal.DISGUISED),
        ("https://record.example\\@evil.example/fhir", AddressRefusal.USER_INFO),
        ("https://record.example\\.evil.example/fhir", AddressRefusal.DISGUISED),
        ("https://record.example/fhir#x", AddressRefusal.DISGUISED),
        ("https://record.example/fhir/..;/admin", AddressRefusal.DISGUISED),
        ("https://record.example/fhir/..;a=b/admin", AddressRefusal.DISGUISED),
        ("https://record.example/fhir;v=1/Patient", AddressRefusal.DISGUISED),
        ("https://record.example/%66hir/Patient", AddressRefusal.DISGUISED),
        ("https://record.example/fhir/%41dmin", AddressRefusal.DISGUISED),
        ("https://record.example/fhir/%3b", AddressRefusal.DISGUISED),
        ("https://record.example/fhir/%00", AddressRefusal.DISGUISED),
        ("https://record.example/fhir/%0d%0a", AddressRefusal.DISGUISED),
        ("https://record.example/fhir/%zz", AddressRefusal.DISGUISED),
        ("https://record.example/fhir/%2", AddressRefusal.DISGUISED),
        ("https://record.example/fhir/%+5", AddressRefusal.DISGUISED),
        ("http://[::1", AddressRefusal.UNREADABLE),
        ("http://xn--a/", AddressRefusal.UNREADABLE),
        ("https://record.example/fhir/ Patient", AddressRefusal.UNREADABLE),
        ("https://record.example/fhir\r\nHost: evil.example", AddressRefusal.UNREADABLE),
        ("https://rec\u00f6rd.example/fhir", AddressRefusal.UNREADABLE),
        ("https://record.example:99999999/fhir", AddressRefusal.UNREADABLE),
        ("https://:443/fhir", AddressRefusal.UNREADABLE),
        ("ftp://record.example/fhir", AddressRefusal.UNREADABLE),
        ("file:///etc/passwd", AddressRefusal.UNREADABLE),
        ("//record.example/fhir", AddressRefusal.UNREADABLE),
        ("", AddressRefusal.UNREADABLE),
    ],
)
def test_any_other_address_is_refused_with_its_reason(address: str, refusal: AddressRefusal) -> None:
    assert refusal_of(address, (BASE,)) is refusal


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "127.8.8.8", "[::1]"])
def test_plain_http_is_for_this_machine_only(host: str) -> None:
    address = f"http://{host}:8080/fhir"

    assert refusal_of(address, (address,)) is None


def test_a_host_listed_for_plain_http_is_called_at_its_port_only() -> None:
    base = "http://record:8080/fhir"

    assert refusal_of(f"{base}/Patient/1", (base,), ("record:8080",)) is None
    assert refusal_of(base, (base,), ("record:80", "other:8080")) is AddressRefusal.NOT_ENCRYPTED
    assert refusal_of("http://record/fhir", ("http://record/fhir",), ("record:80",)) is None
    assert refusal_of("http://record:8080/else", (base,), ("record:8080",)) is AddressRefusal.NOT_LISTED


def test_a_listed_plain_http_address_elsewhere_is_still_refused() -> None:
    address = "http://record.example/fhir"

    assert refusal_of(address, (address,)) is AddressRefusal.NOT_ENCRYPTED


@pytest.mark.parametrize("entry", ["", "https://*", "https://record.example/fhir?x=1", "https://a@record.example/fhir"])
def test_a_malformed_list_entry_allows_nothing(entry: str) -> None:
    assert refusal_of(BASE, (entry,)) is AddressRefusal.NOT_LISTED


def test_an_empty_list_allows_nothing() -> None:
    assert refusal_of(BASE, ()) is AddressRefusal.NOT_LISTED


@pytest.mark.parametrize(
    ("url", "known", "same"),
    [
        ("https://a.example/token", "https://a.example/fhir", True),
        ("https://a.example:443/token", "https://a.example", True),
        ("https://a.example:8443/token", "https://a.example", False),
        ("https://a.example:8443/token", "https://A.example:8443", True),
        ("http://127.0.0.1/token", "https://127.0.0.1", False),
        ("https://a.example/token", "https://[", False),
    ],
)
def test_a_server_is_a_host_at_its_port(url: str, known: str, same: bool) -> None:
    assert same_server(url, known) is same


@settings(deadline=None)
@given(st.text(max_size=60))
def test_what_follows_the_base_never_leaves_it(tail: str) -> None:
    address = BASE + tail

    if refusal_of(address, (BASE,)) is None:
        assert tail == "" or tail[0] in "/?"
        assert ".." not in tail.split("?")[0].split("/")


@settings(deadline=None)
@given(
    st.text(max_size=80)
    | st.text(alphabet="ahtps:/@[]%.0129\\x?#", max_size=40).map("https://".__add__)
    | st.text(alphabet=st.characters(min_codepoint=33, max_codepoint=126), max_size=40).map("http://".__add__)
)
def test_no_text_whatever_raises(address: str) -> None:
    assert refusal_of(address, (BASE,)) is not None
