"""What can be wrong with a request, how each is said, and which HTTP status it carries."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

__all__ = ["Problem", "ProblemKind", "Rejected", "operation_outcome", "status_of"]


class ProblemKind(Enum):
    """One row per kind: slug, FHIR issue type, HTTP status. 400 cannot be read; 422 can be read, not used."""

    NOT_JSON = ("not-json", "structure", 400)
    TOO_LARGE = ("too-large", "too-long", 413)
    MISSING = ("missing", "required", 422)

    def __init__(self, slug: str, issue_code: str, status: int) -> None:
        self.slug = slug
        self.issue_code = issue_code
        self.status = status


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that stops the request.

    Attributes:
        kind: which row of the table.
        expression: FHIRPath of the element; empty where the body as a whole is meant.
        found: what was found, never a name, birth date or identifier.
        accepted: what is accepted.
        sentence: the whole in one or two sentences that a nurse informaticist understands.
    """

    kind: ProblemKind
    expression: str
    found: str
    accepted: str
    sentence: str


class Rejected(Exception):
    """The request cannot be answered; carries every problem that was found."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__("; ".join(problem.sentence for problem in problems))
        self.problems = problems


def status_of(problems: tuple[Problem, ...]) -> int:
    """HTTP status for these problems: the lowest-numbered, since what cannot be read comes first."""
    return min(problem.kind.status for problem in problems)


def operation_outcome(problems: tuple[Problem, ...]) -> dict[str, object]:
    """FHIR R4 OperationOutcome with one issue per problem."""
    return {
        "resourceType": "OperationOutcome",
        "issue": [
            {
                "severity": "error",
                "code": problem.kind.issue_code,
                "details": {"text": problem.sentence},
                **({"expression": [problem.expression]} if problem.expression else {}),
            }
            for problem in problems
        ],
    }
