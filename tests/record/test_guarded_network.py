"""Where a name may lead, and that the connection goes where the judge looked."""

from __future__ import annotations

from collections.abc import Sequence
from ipaddress import IPv4Address, IPv6Address, ip_network

import pytest
from hypothesis import given
from hypothesis.strategies import ip_addresses

from ebbmark.record.client import Exchange
from ebbmark.record.connection import Patience, Resolve, is_surprising, is_this_machine
from ebbmark.record.retry import CallFailure, Reply
from record.local_record import LocalRecord, local_record

NAMED = "http://record.example"


@pytest.mark.parametrize(
    "address",
    [
        "10.0.0.1",
        "172.16.5.4",
        "192.168.1.1",
        "127.0.0.1",
        "169.254.169.254",
        "100.64.0.1",
        "0.0.0.0",  # noqa: S104 - judged, not listened on
        "224.0.0.1",
        "192.0.2.1",
        "240.0.0.1",
        "255.255.255.255",
        "::1",
        "::",
        "fe80::1",
        "fe80::1%eth0",
        "fc00::1",
        "ff02::1",
        "2001:db8::1",
        "::ffff:10.0.0.1",
        "::ffff:127.0.0.1",
        "64:ff9b::a00:1",
        "2002:a00:1::",
        "no address",
        "",
    ],
)
def test_an_address_that_is_not_global_is_a_surprise(address: str) -> None:
    assert is_surprising(address, ())


@pytest.mark.parametrize(
    "address",
    [
        "192.0.0.1",
        "192.0.0.9",
        "192.0.0.170",
        "192.88.99.1",
        "198.18.0.1",
        "64:ff9b:1::1",
        "100::1",
        "2001::1",
        "2001:2::1",
        "2001:20::1",
        "3fff::1",
        "5f00::1",
        "fec0::1",
        "::7f00:1",
        "4000::1",
        "2002:c612:1::",
    ],
)
def test_what_the_registries_list_is_a_surprise_on_every_python(address: str) -> None:
    """Sources: the IANA special-purpose registries and the IANA IPv6 Address Space; RFC 9637, 9602, 8215, 6666."""
    assert is_surprising(address, ())


@given(ip_addresses())
def test_no_address_that_python_calls_other_than_global_gets_through(address: IPv4Address | IPv6Address) -> None:
    inner = getattr(address, "ipv4_mapped", None) or getattr(address, "sixtofour", None) or address
    if not is_surprising(str(address), ()):
        assert inner.is_global
        assert not inner.is_multicast


@pytest.mark.parametrize("address", ["8.8.8.8", "2606:4700::1111", "::ffff:8.8.8.8", "64:ff9b::808:808"])
def test_a_global_address_is_none(address: str) -> None:
    assert not is_surprising(address, ())


@pytest.mark.parametrize(
    ("address", "network", "surprising"),
    [
        ("10.1.2.3", "10.1.0.0/16", False),
        ("10.2.2.3", "10.1.0.0/16", True),
        ("::ffff:10.1.2.3", "10.1.0.0/16", False),
        ("fd00::7", "fd00::/8", False),
        ("fd00::7", "10.1.0.0/16", True),
        ("127.0.0.1", "10.1.0.0/16", True),
    ],
)
def test_a_listed_network_is_no_surprise_and_no_other(address: str, network: str, surprising: bool) -> None:
    assert is_surprising(address, [ip_network(network)]) is surprising


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "127.9.9.9", "::1", "[::1]"])
def test_this_machine_is_known_by_its_names(host: str) -> None:
    assert is_this_machine(host)


@pytest.mark.parametrize("host", ["", "10.0.0.1", "localhost.example", "0.0.0.0", "record.example"])  # noqa: S104
def test_nothing_else_is_this_machine(host: str) -> None:
    assert not is_this_machine(host)


def leads_to(*answers: Sequence[str]) -> tuple[Resolve, list[str]]:
    """A name server that gives one answer after the other, and the names that it was asked for."""
    asked: list[str] = []
    left = list(answers)

    async def resolve(host: str, port: int) -> Sequence[str]:
        asked.append(host)
        return left.pop(0)

    return resolve, asked


async def asked_by_name(record: LocalRecord, resolve: Resolve, *networks: str) -> Reply | CallFailure:
    port = record.base_url.rsplit(":", 1)[1].removesuffix("/fhir")
    exchange = Exchange(Patience(read_timeout_s=20.0), private_networks=networks, resolve=resolve)
    try:
        return await exchange.ask("POST", f"{NAMED}:{port}/fhir", content=b'{"entry": []}')
    finally:
        await exchange.aclose()


@pytest.mark.anyio
@pytest.mark.parametrize("answer", [["127.0.0.1"], ["8.8.8.8", "127.0.0.1"], ["::ffff:127.0.0.1"]])
async def test_a_name_that_leads_inside_is_not_called(answer: list[str]) -> None:
    resolve, asked = leads_to(answer)
    with local_record() as record:
        seen = await asked_by_name(record, resolve)

    assert seen == CallFailure.SURPRISING_ADDRESS
    assert asked == ["record.example"]
    assert record.requests == []


@pytest.mark.anyio
async def test_a_name_that_leads_into_a_listed_network_is_called_under_its_name() -> None:
    resolve, _ = leads_to(["127.0.0.1"])
    with local_record() as record:
        seen = await asked_by_name(record, resolve, "127.0.0.0/8")

    assert isinstance(seen, Reply)
    assert seen.status == 200
    assert record.requests[0]["host"].startswith("record.example:")


@pytest.mark.anyio
async def test_a_name_is_looked_up_once_so_that_the_answer_cannot_change_after_the_look() -> None:
    resolve, asked = leads_to(["127.0.0.1"], ["10.0.0.1"])
    with local_record() as record:
        seen = await asked_by_name(record, resolve, "127.0.0.0/8")

    assert isinstance(seen, Reply)
    assert len(asked) == 1


@pytest.mark.anyio
async def test_the_next_address_is_tried_where_the_first_does_not_answer() -> None:
    resolve, _ = leads_to(["127.0.0.9", "127.0.0.1"])
    with local_record() as record:
        seen = await asked_by_name(record, resolve, "127.0.0.0/8")

    assert isinstance(seen, Reply)


@pytest.mark.anyio
async def test_a_name_that_nobody_knows_is_not_connected() -> None:
    async def resolve(host: str, port: int) -> Sequence[str]:
        raise OSError("no such name")

    with local_record() as record:
        assert await asked_by_name(record, resolve) == CallFailure.UNKNOWN_NAME


@pytest.mark.anyio
async def test_a_name_without_addresses_is_not_connected() -> None:
    resolve, _ = leads_to([])
    with local_record() as record:
        assert await asked_by_name(record, resolve) == CallFailure.UNKNOWN_NAME


@pytest.mark.anyio
async def test_an_address_that_is_spelled_out_is_no_surprise() -> None:
    resolve, asked = leads_to()
    exchange = Exchange(Patience(read_timeout_s=20.0), resolve=resolve)
    with local_record() as record:
        seen = await exchange.ask("GET", record.base_url)
    await exchange.aclose()

    assert isinstance(seen, Reply)
    assert asked == []
