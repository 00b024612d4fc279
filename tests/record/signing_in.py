"""A record client that signs in at a test's authorization server, with a clock that a test can turn."""

from __future__ import annotations

import itertools
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

import msgspec

from authorization_server import CLIENT_ID, SCOPES, Site
from ebbmark.keys import Algorithm, KeyRing, new_key_set, public_key_set, read_key_ring
from ebbmark.record.client import Exchange, RecordClient
from ebbmark.record.connection import Patience, RecordSettings
from ebbmark.record.sign_in import SignIn, SignInClock, SignInSettings

SCOPE = " ".join(sorted(SCOPES))


def ring(*algorithms: Algorithm) -> KeyRing:
    """New keys, one per algorithm."""
    read = read_key_ring([msgspec.json.encode(new_key_set(algorithm)) for algorithm in algorithms])
    assert isinstance(read, KeyRing)
    return read


def published(keys: KeyRing) -> dict[str, object]:
    """What the world sees of them, after a journey through JSON."""
    through: dict[str, object] = msgspec.json.decode(msgspec.json.encode(public_key_set(keys)))
    return through


@dataclass(slots=True)
class Clock:
    """Seconds that pass when told to."""

    s: float = 1000.0

    def __call__(self) -> float:
        return self.s


@dataclass(slots=True)
class SignedIn:
    """The client, the source of its tokens, and what was reported."""

    record: RecordClient
    tokens: SignIn
    clock: Clock
    reports: list[str] = field(default_factory=list)


@asynccontextmanager
async def signed_in(site: Site, keys: KeyRing, **settings: object) -> AsyncIterator[SignedIn]:
    clock = Clock()
    reports: list[str] = []
    numbers = itertools.count()
    known = msgspec.convert(
        {"client_id": CLIENT_ID, "scope": SCOPE, "record_base_url": site.base_url, **settings}, SignInSettings
    )
    tokens = SignIn(
        known,
        keys=keys,
        exchange=Exchange(Patience(read_timeout_s=20.0)),
        clock=SignInClock(time.time, clock, lambda: f"jti-{next(numbers)}"),
        report=reports.append,
    )
    async with RecordClient(RecordSettings(site.base_url, (site.base_url,)), tokens=tokens) as record:
        yield SignedIn(record, tokens, clock, reports)
    await tokens.aclose()
