"""Which of two answers for one trial stands?

1. The one that rests on newer versions of their shared inputs. Only versions that are whole numbers are compared; FHIR
   leaves their form open, and others say nothing about order.
2. Else the one whose limb goes on longer, where it rests on all the other's inputs and more, and none of these more
   was taken back or changed since.
3. Else the one that rests on a newer version of the Patient: most changes of it say nothing about the trial.
4. Else the one that was written later, by the record's own clock; one that is yet to be written is the latest.

An answer of which a clinician has signed any part is never marked by rule 4: it stays, beside the new one, and the
outcome says so. The rules are ours.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

_PATIENT = "Patient/"


@dataclass(frozen=True, slots=True)
class Candidate:
    """One answer, as far as the rules need it.

    Attributes:
        inputs: version by reference of each input.
        end_s: last moment of its limb [s since 1970-01-01T00:00:00Z].
        written_s: when it was written; None for one that is yet to be written [s since 1970-01-01T00:00:00Z].
        signed: whether a clinician has signed any of it.
    """

    identity: str
    inputs: Mapping[str, str]
    end_s: float
    written_s: float | None
    signed: bool


@dataclass(frozen=True, slots=True)
class Standing:
    """Where an answer stands among the others of its trial.

    Attributes:
        newer: identity of one that takes its place; None where it stands.
        older: identities of those that it takes the place of.
        beside: identities of those that a clinician has signed, and that stay.
    """

    newer: str | None
    older: tuple[str, ...]
    beside: tuple[str, ...]


def standing_of(own: Candidate, others: Collection[Candidate], changed: Collection[str]) -> Standing:
    """Judge one answer against the others.

    Args:
        others: those that stand in the record for the same trial.
        changed: those of `doubtful_inputs` that were taken back or changed since.
    """
    newer: str | None = None
    older, beside = [], []
    for other in others:
        by_inputs = _newer_by_inputs(own, other, changed)
        if by_inputs is other and not own.signed:
            newer = newer or other.identity
        elif other.signed or own.signed:
            beside.append(other.identity)
        elif by_inputs is own or _written_later(own, other) is own:
            older.append(other.identity)
        else:
            newer = newer or other.identity
    return Standing(newer, tuple(older), tuple(beside))


def doubtful_inputs(own: Candidate, others: Collection[Candidate]) -> frozenset[str]:
    """Inputs whose present state decides under rule 2, as `Type/id`."""
    doubtful: set[str] = set()
    for other in others:
        for longer, shorter in ((own, other), (other, own)):
            if _goes_on(longer, shorter):
                doubtful |= _readings(longer).keys() - _readings(shorter).keys()
    return frozenset(doubtful)


def _newer_by_inputs(own: Candidate, other: Candidate, changed: Collection[str]) -> Candidate | None:
    newer = _newer_by_versions(own, other, _readings(own).keys() & _readings(other).keys())
    if newer is not None:
        return newer
    for longer, shorter in ((own, other), (other, own)):
        if _goes_on(longer, shorter):
            more = _readings(longer).keys() - _readings(shorter).keys()
            # What went into the longer one and is no longer so was taken out of the shorter one on purpose.
            return shorter if more & set(changed) else longer
    return _newer_by_versions(own, other, own.inputs.keys() & other.inputs.keys())


def _newer_by_versions(own: Candidate, other: Candidate, shared: Collection[str]) -> Candidate | None:
    ours = any(_is_later(own.inputs[one], other.inputs[one]) for one in shared)
    theirs = any(_is_later(other.inputs[one], own.inputs[one]) for one in shared)
    if ours is theirs:
        return None
    return own if ours else other


def _readings(candidate: Candidate) -> Mapping[str, str]:
    return {one: version for one, version in candidate.inputs.items() if not one.startswith(_PATIENT)}


def _goes_on(longer: Candidate, shorter: Candidate) -> bool:
    more, less = _readings(longer), _readings(shorter)
    return bool(less) and less.items() < more.items() and longer.end_s > shorter.end_s


def _is_later(version: str, than: str) -> bool:
    return all(one.isascii() and one.isdigit() for one in (version, than)) and int(version) > int(than)


def _written_later(own: Candidate, other: Candidate) -> Candidate:
    mine, theirs = (float("inf") if one.written_s is None else one.written_s for one in (own, other))
    return own if mine >= theirs else other
