"""How does an auditor replay an answer from files, without any service or network?"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import msgspec

from ebbmark.audit.computed_again import Render
from ebbmark.audit.question import not_an_answer, replay_told
from ebbmark.audit.replay import Replayed, replay
from ebbmark.audit.signature import Verified, verify
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.writing.normal_form import NotAnAnswer, resources_of
from ebbmark.fhir.writing.superseding import unmarked
from ebbmark.keys import PublicKey, read_public_keys

__all__ = ["Told", "replay_files", "text_of"]

Json = dict[str, object]

_DOUBTFUL = frozenset({Verified.BROKEN})
_SIGNATURE_WORDS = {
    Verified.VALID: "The signature is valid.",
    Verified.ABSENT: "The answer carries no signature.",
    Verified.UNKNOWN_KEY: "The signature was made with a key that is not among those given.",
    Verified.BROKEN: "The signature does not fit the answer.",
}


@dataclass(frozen=True, slots=True)
class Told:
    """What is said about a replay.

    Attributes:
        outcome: of the replay.
        verified: what the signature says.
        parameters: both as FHIR R4 Parameters.
    """

    outcome: Replayed
    verified: Verified
    parameters: Json

    @property
    def good(self) -> bool:
        """Whether the answer is what its inputs give, and no signature contradicts that."""
        return self.outcome.same and self.verified not in _DOUBTFUL


def replay_files(
    answer: bytes, inputs: bytes, *, keys: bytes | None, at_s: float, render: Render | None = None
) -> Told:
    """Replay an answer from files.

    Args:
        answer: Bundle of the answer.
        inputs: Bundle with the inputs, or Parameters with such a Bundle in it.
        keys: JSON Web Key Set; None where no signature is to be believed.
        at_s: the present instant [s since 1970-01-01T00:00:00Z].
        render: makes the page of a report again; None where none can be made.

    Raises:
        Rejected: a file cannot be read, or is not what it should be.
    """
    trusted: Iterable[PublicKey] = ()
    if keys is not None:
        read = read_public_keys(keys)
        if read is None:
            raise _unreadable("keys", "a JSON Web Key Set")
        trusted = read
    try:
        stored = resources_of(_decoded(answer, "answer"))
        verification = verify([(url, unmarked(one)) for url, one in stored], trusted)
        outcome = replay(stored, _inputs(_decoded(inputs, "inputs")), at_s=at_s, render=render)
    except NotAnAnswer as error:
        raise not_an_answer(error) from error
    return Told(outcome, verification.verified, replay_told(outcome, verification.verified))


def text_of(told: Told) -> str:
    """The same for a person."""
    outcome = told.outcome
    lines = [f"Answer {outcome.identity}"]
    lines.append("The inputs give the same answer." if outcome.same else "The inputs do not give this answer.")
    lines += [f"- {finding.sentence}" for finding in outcome.findings]
    if outcome.not_checked:
        lines.append(f"{outcome.not_checked} remarks about inputs that were not used cannot be computed again.")
    lines.append(_SIGNATURE_WORDS[told.verified])
    return "\n".join(lines) + "\n"


def _inputs(value: object) -> list[tuple[str, Json]]:
    """Resources of a Bundle, or of all Bundles and resources in Parameters."""
    if isinstance(value, dict) and value.get("resourceType") == "Parameters":
        found: list[tuple[str, Json]] = []
        parameters = value.get("parameter")
        for one in parameters if isinstance(parameters, list) else []:
            resource = one.get("resource") if isinstance(one, dict) else None
            if isinstance(resource, dict):
                found += _inputs(resource) if resource.get("resourceType") == "Bundle" else [("", resource)]
        return found
    return [(url, dict(one)) for url, one in resources_of(value)]


def _decoded(body: bytes, name: str) -> object:
    try:
        return msgspec.json.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        raise _unreadable(name, "JSON") from None


def _unreadable(name: str, accepted: str) -> Rejected:
    sentence = f"The file with the {name} is not {accepted}."
    return Rejected((Problem(ProblemKind.NOT_JSON, "", "something else", accepted, sentence),))
