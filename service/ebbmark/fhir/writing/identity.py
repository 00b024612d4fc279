"""Canonical JSON bytes, the digest of the inputs, and the identity of an answer: the key of idempotent writes.

Canonical form: RFC 8785, JSON Canonicalization Scheme. Digests: SHA-256. From the identity follow the names that all
resources of one answer share, beside its subject, encounter, device and times.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields
from functools import lru_cache
from hashlib import sha1, sha256
from json.encoder import encode_basestring
from math import isfinite
from uuid import NAMESPACE_URL

import msgspec

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.naming import RESULT_SYSTEM
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.times import instant
from ebbmark.physiology.findings import IN_USE
from ebbmark.physiology.protocols import Protocol
from ebbmark.words.messages import say

_LARGEST_EXACT = 2**53 - 1  # RFC 8785 section 3.2.2.3: integers beyond it are not one number everywhere
_PROTOCOL_FIELDS = tuple(field.name for field in fields(Protocol))


class NotCanonical(Exception):
    """The value has no canonical form: not JSON, not finite, an integer beyond 2^53 - 1, or half a character."""


def canonical_bytes(value: object) -> bytes:
    """The one UTF-8 spelling of a JSON value.

    Raises:
        NotCanonical: where RFC 8785 allows no spelling.

    Source: RFC 8785, section 3.2.
    """
    try:
        return _text(value).encode()
    except UnicodeEncodeError as error:
        raise NotCanonical("a string holds half of a surrogate pair") from error


def input_digest(request: Request) -> str:
    """Name the inputs that the answer rests on.

    Covers each source with what was read from it, height, form of the formula, whom the answer is about, what the
    caller or the site chose beside the data (with every code of the site's own that was met, since the Provenance
    lists them), the Conditions that nobody could judge, and whether they could be read; neither the order of
    the entries, nor where they stood in the request, nor what was ignored.
    """
    person, sex = request.person, request.asked.sex
    codes = [[*mapped_code] for mapped_code in request.mapped_codes]
    chosen = [sex.value if sex is not None else None, codes]
    unjudged = [f"{one.reference or one.path}\n{request.charted[one.path]}\n{one.reason}" for one in request.unjudged]
    inputs = [
        # The subject is part of it: two patients with equal numbers must never share an identity.
        [
            request.subject,
            request.encounter,
            person.height_cm if person is not None else None,
            person.sex.value if person is not None else None,
        ],
        request.preliminary_inputs,
        # A line feed stands in neither part, so that no two sources can join to one text.
        sorted([f"{source.reference}\n{_in_any_order(source.value)}" for source in request.sources]),
        # Where nothing was chosen nothing is said, as in the digests of earlier versions.
        *([chosen] if any(chosen) else []),
        *([sorted(unjudged)] if unjudged else []),
        *([repr(request.status)] if request.status != IN_USE else []),
        *(["conditions not read"] if request.asked.conditions_not_read else []),
    ]
    return sha256(canonical_bytes(inputs)).hexdigest()


def identity(basis: Mapping[str, object], input_digest: str, engine_version: str) -> str:
    """SHA-256 that names an answer, in hexadecimal: same inputs, same rules down to the last value, same engine."""
    return sha256(canonical_bytes({**basis, "inputs": input_digest, "engine": engine_version})).hexdigest()


def titration_basis(request: Request) -> Mapping[str, object]:
    """What a titration depends on: its protocol, stop limits that a site has signed, and a PEEP chosen instead."""
    limits, asked = request.stop_limits, request.asked
    chosen = asked.chosen_peep_cmh2o
    return {
        "protocol": _rules_digest(request.protocol),
        **({"limits": repr(limits)} if limits.signed else {}),
        **({} if chosen is None else {"chosen": [chosen, asked.chosen_because]}),
    }


def question_basis(operation: str, request: Request, rules: Mapping[str, object], *, dated: bool) -> dict[str, object]:
    """What the answer to any other question depends on; on the instant that counts as now where it is dated."""
    asked = request.asked
    return {
        "operation": operation,
        "rules": dict(rules),
        "now": request.as_of_s if dated else None,
        "asked": [
            asked.noradrenaline_equivalent_mcg_per_kg_per_min,
            asked.body_mass_index,
            asked.barometric_pressure_mmhg,
            asked.variant.value,
            asked.peep_rise_cmh2o,
            sorted({what for what, _ in asked.acknowledged.what}),
            list(asked.acknowledged.who) if asked.acknowledged.who else None,
            asked.trial_started_s,
            asked.titrated_s,
            asked.suggested_peep_cmh2o,
            asked.released_ml,
            asked.usual_volume_ml,
            asked.release_high_peep_cmh2o,
            asked.release_low_peep_cmh2o,
            asked.compliance_at_low_peep_ml_per_cmh2o,
            request.age_years,
        ],
    }


def _in_any_order(value: str) -> str:
    """Values of a panel in one order: that of its components says nothing either."""
    return ";".join(sorted(value.split(";"))) if ";" in value else value


@lru_cache(maxsize=64)
def _rules_digest(protocol: Protocol) -> str:
    """Name a rule set by all its values; the same few return with every request."""
    return sha256(canonical_bytes({name: getattr(protocol, name) for name in _PROTOCOL_FIELDS})).hexdigest()


def _text(value: object) -> str:
    if isinstance(value, dict):  # most of what an answer is made of, asked first
        return _object(value)
    if isinstance(value, (list, tuple)):
        # Long lists here are lists of strings: spared one call per item.
        items = [encode_basestring(item) if type(item) is str else _text(item) for item in value]
        return "[" + ",".join(items) + "]"
    if value is None:
        return "null"
    if value is True:
        return "true"
    if value is False:
        return "false"
    if isinstance(value, str):
        return encode_basestring(value)
    if isinstance(value, int):
        if abs(value) > _LARGEST_EXACT:
            raise NotCanonical("an integer lies beyond 2^53 - 1")
        return int.__repr__(value)
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, Mapping):
        return _object(value)
    raise NotCanonical(f"a {type(value).__name__} is not a JSON value")


def _object(value: Mapping[object, object]) -> str:
    members = []
    for name in _in_order(value):
        item = value[name]
        text = encode_basestring(item) if type(item) is str else _text(item)
        members.append(encode_basestring(name) + ":" + text)
    return "{" + ",".join(members) + "}"


def _in_order(value: Mapping[object, object]) -> list[str]:
    """Names by UTF-16 code units (RFC 8785 section 3.2.3), which for ASCII is the order of the characters."""
    names = [name for name in value if isinstance(name, str)]
    if len(names) != len(value):
        raise NotCanonical("a name in an object is not a string")
    return sorted(names) if "".join(names).isascii() else sorted(names, key=lambda name: name.encode("utf-16-be"))


def _number(value: float) -> str:
    """ECMAScript's Number::toString; Python gives the same shortest digits in another dress."""
    if not isfinite(value):
        raise NotCanonical("a number is not finite")
    if value == 0:
        return "0"
    sign = "-" if value < 0 else ""
    mantissa, _, exponent = float.__repr__(abs(value)).partition("e")
    whole, _, fraction = mantissa.partition(".")
    if fraction == "0":
        fraction = ""
    digits = (whole + fraction).lstrip("0")
    # The value is 0.digits times ten to the power of point.
    point = len(whole) + int(exponent or 0) - (len(whole + fraction) - len(digits))
    digits = digits.rstrip("0")
    if len(digits) <= point <= 21:
        return sign + digits + "0" * (point - len(digits))
    if 0 < point <= 21:
        return sign + digits[:point] + "." + digits[point:]
    if -6 < point <= 0:
        return sign + "0." + "0" * -point + digits
    power = f"e{point - 1:+d}"
    return sign + digits[0] + ("." + digits[1:] if len(digits) > 1 else "") + power


UNNAMED_PATIENT = "result.unnamed-patient"

_VARIANT = {digit: "89ab"[int(digit, 16) & 3] for digit in "0123456789abcdef"}


class ResultReference(msgspec.Struct, omit_defaults=True, gc=False):
    """FHIR Reference: by address, or by a name in words where the input had no address."""

    reference: str | None = None
    display: str | None = None


class AnswerContext:
    """The shared parts of one answer; `end` is the last moment that it looks at."""

    __slots__ = ("_addresses", "_hash", "_references", "_sources", "answer", "device", "encounter", "end", "subject")

    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        request = answer.request
        self._hash = sha1(NAMESPACE_URL.bytes + f"{RESULT_SYSTEM}|{answer.identity}:".encode(), usedforsecurity=False)
        self._references: dict[str, ResultReference] = {}
        self._addresses = [source.reference for source in request.sources]
        self._sources = [
            ResultReference(reference=source.reference) if source.reference else ResultReference(display=source.path)
            for source in request.sources
        ]
        self.end = instant(answer.span_s[1])
        # A patient sent without id or address has no reference; one that is empty would be no FHIR.
        address = request.subject
        self.subject = ResultReference(reference=address) if address else ResultReference(display=say(UNNAMED_PATIENT))
        self.encounter = ResultReference(reference=request.encounter) if request.encounter else None
        self.device = self.to("device")

    def identifier(self, kind: str) -> dict[str, str]:
        """Identifier that a second try will find again."""
        return {"system": RESULT_SYSTEM, "value": f"{self.answer.identity}:{kind}"}

    def to(self, kind: str) -> ResultReference:
        """Reference to another resource of this answer."""
        known = self._references.get(kind)
        if known is None:
            known = self._references[kind] = ResultReference(reference=self._full_url(kind))
        return known

    def _full_url(self, kind: str) -> str:
        """UUID version 5 (RFC 9562) of the identifier, in the namespace of URLs."""
        name = self._hash.copy()
        name.update(kind.encode())
        digits = name.hexdigest()
        return (
            f"urn:uuid:{digits[:8]}-{digits[8:12]}-5{digits[13:16]}-"
            f"{_VARIANT[digits[16]]}{digits[17:20]}-{digits[20:32]}"
        )

    def inputs(self, sources: Iterable[int]) -> list[ResultReference]:
        """References to these inputs, each once: those without an address as received, then the others by address.

        Sorted, so that the order received does not show where it need not.
        """
        return [self._sources[index] for index in sorted(sorted(set(sources)), key=self._addresses.__getitem__)]

    def all_inputs(self) -> list[ResultReference]:
        """References to every input that was read, in the same kind of order, and last to the Patient.

        Without a version the Patient is not named: it would say no more than the subject of every result.
        """
        person = self.answer.request.person
        patient = [ResultReference(reference=person.version)] if person is not None and person.version else []
        return [*self.inputs(range(len(self._sources))), *patient]

    @property
    def about(self) -> dict[str, object]:
        """Subject, and encounter where one is known."""
        encounter = {"encounter": self.encounter} if self.encounter is not None else {}
        return {"subject": self.subject, **encounter}
