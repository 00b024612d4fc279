"""From a message to its acknowledgement: whose it is, one transaction to the record, and only then "accepted".

Nothing is stored here: the sender keeps a message until it is acknowledged, and the record makes a repeat harmless
(conditional create), so that a process killed at any point loses and doubles nothing.
Source: HL7 v2.6 chapter 2.9 (processing rules); FHIR R4 http.html#ccreate and #transaction.
"""

from __future__ import annotations

import asyncio
import logging
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from hashlib import sha256
from typing import Final
from weakref import WeakValueDictionary

import msgspec

from ebbmark.bridge.hl7v2 import ACCEPTED, AGAIN, NEVER, ErrorRow, Refused, Segment, acknowledgements, header_of
from ebbmark.bridge.observed import DeviceMessage, LeftRow, SiteRules, read_message, told_of_patient, word_to_show
from ebbmark.fhir.model import Identifier
from ebbmark.fhir.naming import BASE
from ebbmark.fhir.writing.entered import device_observation, entered_transaction
from ebbmark.fhir.writing.provenance import Access, Actor, AuditAction
from ebbmark.record.client import RecordClient
from ebbmark.record.search import Budget, Found, TooMuch, search
from ebbmark.record.write_back import WriteOutcome, WriteState, write_back
from ebbmark.telemetry.measured import Measured, Watch, count, in_scene

_LOG = logging.getLogger("ebbmark.bridge")

Note = Callable[[Access], Awaitable[None]]

SENDER_SYSTEM = f"{BASE}/sid/hl7v2-application"
"""System of the identifier of a sender; the value is its MSH-3."""

_WORDS: Final = {ACCEPTED: "accepted", AGAIN: "again", NEVER: "never"}
_MOST_REMEMBERED: Final = 10_000
_MOST_TOLD: Final = 20
_MOST_NAMED: Final = 5
_NEVER_STATUSES: Final = frozenset({400, 413, 422})
"""What a record answers to data that it will refuse again."""


class _Link(msgspec.Struct):
    type: str = ""


class _Patient(msgspec.Struct, rename="camel"):
    id: str = ""
    active: bool = True
    birth_date: str = ""
    identifier: list[Identifier] = []
    link: list[_Link] = []


def _left_words(message: DeviceMessage) -> list[ErrorRow]:
    """What was left, by reason, each with its rows and codes: no value, and nothing of the patient."""
    reasons: dict[str, list[LeftRow]] = {}
    for one in message.left:
        reasons.setdefault(one.reason, []).append(one)
    rows = []
    for why, of_it in reasons.items():
        numbers = ", ".join(str(one.number) for one in of_it[:_MOST_NAMED])
        codes = ", ".join(list(dict.fromkeys(one.sent_as for one in of_it))[:_MOST_NAMED])
        more = f" and {len(of_it) - _MOST_NAMED} more" if len(of_it) > _MOST_NAMED else ""
        rows.append(ErrorRow(f"OBX^{of_it[0].number}", 0, f"Left: OBX {numbers}{more} ({codes}): {why}.", "W"))
    if not message.readings:
        rows.insert(0, ErrorRow("", 0, "No reading of this message was carried.", "W"))
    return rows


class Bridge:
    """Carries messages to one record."""

    def __init__(
        self,
        record: RecordClient,
        rules: SiteRules,
        *,
        new_identity: Callable[[], str],
        note: Note | None = None,
        watch: Watch | None = None,
    ) -> None:
        self._record = record
        self._rules = rules
        self._new_identity = new_identity
        self._note = note
        self._watch = watch
        self._committed: OrderedDict[tuple[str, str, str], bytes] = OrderedDict()
        self._devices: WeakValueDictionary[str, asyncio.Lock] = WeakValueDictionary()
        with self._scene():
            # A series that begins with its first message would not be seen to rise.
            for verdict in _WORDS.values():
                count(Measured.BRIDGE_MESSAGES, verdict, amount=0)

    async def answer(self, content: bytes) -> list[bytes] | None:
        """Carry one message and acknowledge it.

        Returns:
            The acknowledgements that the sender asked for; None where the message has no header to acknowledge.
        """
        with self._scene():
            return await self._answered(content)

    def _scene(self) -> AbstractContextManager[object]:
        return in_scene(self._watch, self._watch.begin()) if self._watch is not None else nullcontext()

    async def _answered(self, content: bytes) -> list[bytes] | None:
        header = header_of(content)
        if header is None:
            _LOG.warning("A message without a usable MSH: the connection is closed.")
            return None
        rows: list[ErrorRow] = []
        carried, repeated = 0, False
        try:
            message = read_message(content, header, self._rules, now_s=self._record.waiting.now().timestamp())
            carried = len(message.readings) if await self._carry(header, message) else 0
            verdict, repeated = ACCEPTED, bool(message.readings) and not carried
            rows = _left_words(message)
            for one in message.left:
                count(Measured.BRIDGE_ROWS_LEFT, one.kind)
        except Refused as refused:
            verdict, rows = refused.verdict, [refused.row]
        except Exception:
            # A fault of ours: the sender keeps the message, the log tells type and place only.
            _LOG.exception("A message was not carried.")
            verdict, rows = AGAIN, [ErrorRow("", 207, "Not carried: a fault of the bridge.")]
        count(Measured.BRIDGE_MESSAGES, _WORDS.get(verdict, "again"))
        count(Measured.BRIDGE_READINGS, amount=carried)
        told = " ".join(row.sentence for row in rows[:_MOST_TOLD])
        level = logging.INFO if carried or repeated else logging.WARNING
        told = f"{told} The record has its readings already: it was sent before." if repeated else told
        private = told_of_patient(content, header)
        names = (header.text(3), header.text(4), header.raw(10))
        which = "/".join(word_to_show(name, private) or "?" for name in names)
        _LOG.log(level, "Message %s: verdict %s, %d readings carried. %s", which, verdict, carried, told.strip())
        now = self._record.waiting.now()
        return list(acknowledgements(header, verdict, rows[:_MOST_TOLD], now=now, identity=self._new_identity()))

    async def _carry(self, header: Segment, message: DeviceMessage) -> bool:
        """Write the readings; whether any of them was written now."""
        key = (header.raw(3), header.raw(4), header.raw(10))
        digest = sha256(repr((message.patient, message.readings)).encode()).digest()
        if not message.readings or self._committed.get(key) == digest:
            return False
        device = "|".join(sorted({repr(reading.device) for reading in message.readings}))
        lock = self._devices.setdefault(device, asyncio.Lock())
        async with lock:
            subject = await self._subject(message)
            observations = [device_observation(reading, subject) for reading in message.readings]
            # The same reading twice in one message is one: a transaction may not hold one condition twice.
            distinct = {repr(observation["identifier"]): observation for observation in observations}
            outcome = await self._written(list(distinct.values()))
            written = outcome.state in (WriteState.WRITTEN, WriteState.ALREADY_THERE)
            if self._note is not None:
                sender = Actor(SENDER_SYSTEM, header.raw(3))
                places = tuple(one.location for one in outcome.created if one.location)
                await self._note(Access(AuditAction.WRITTEN, sender, written, subject, places))
            if not written:
                never = outcome.state is WriteState.FAILED and outcome.http_status in _NEVER_STATUSES
                raise Refused("", 207, outcome.sentence, NEVER if never and not outcome.created else AGAIN)
        self._committed[key] = digest
        while len(self._committed) > _MOST_REMEMBERED:
            self._committed.popitem(last=False)
        return outcome.state is WriteState.WRITTEN

    async def _subject(self, message: DeviceMessage) -> str:
        found: dict[str, _Patient] = {}
        budget = Budget(requests=20, resources=200, size_bytes=2_000_000)
        for system, value in message.patient:
            answer = await search(self._record, "Patient", [("identifier", f"{system}|{value}")], budget=budget)
            if not isinstance(answer, Found):
                why = answer.what if isinstance(answer, TooMuch) else answer.sentence
                raise Refused("PID^1^3", 207, f"The patient could not be looked up: {why}.", AGAIN)
            for entry in answer.entries:
                if entry.head.resource_type == "Patient":
                    one = msgspec.json.decode(entry.resource, type=_Patient)
                    # The record may ignore a search parameter.
                    if any((its.system, its.value) == (system, value) for its in one.identifier):
                        found[one.id] = one
        usable = [one for one in found.values() if one.active and all(two.type != "replaced-by" for two in one.link)]
        if len(usable) != 1:
            sentence = f"{len(usable)} active patients of the record have this identifier; accepted: exactly one."
            raise Refused("PID^1^3", 204, sentence)
        (patient,) = usable
        # Either may be no more than a year or a month: they are compared as far as both go.
        if any(ours != theirs for ours, theirs in zip(message.birth_date, patient.birth_date, strict=False)):
            raise Refused("PID^1^7", 204, "The date of birth is another one than in the record.")
        return f"Patient/{patient.id}"

    async def _written(self, observations: Sequence[dict[str, object]]) -> WriteOutcome:
        transaction = entered_transaction(observations)
        return await write_back(transaction, record=self._record)
