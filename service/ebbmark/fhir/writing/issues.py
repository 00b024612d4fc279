"""What must be said beside the results: cautions as DetectedIssue, inputs that did not count as OperationOutcome."""

from __future__ import annotations

from ebbmark.fhir.problems import ignored_issue
from ebbmark.fhir.writing.frame import Frame
from ebbmark.fhir.writing.terms import OWN
from ebbmark.physiology.advice.advice import Caution

__all__ = ["caution_kinds", "detected_issue", "outcome", "with_source"]


def caution_kinds(cautions: tuple[Caution, ...]) -> list[tuple[str, Caution]]:
    """The cautions found in this patient's data, each with a kind of its own even where one is said twice."""
    kinds: list[tuple[str, Caution]] = []
    seen: dict[str, int] = {}
    for caution in cautions:
        if not caution.of_this_patient:
            continue
        count = seen[caution.slug] = seen.get(caution.slug, 0) + 1
        kinds.append((f"caution-{caution.slug}" + (f"-{count}" if count > 1 else ""), caution))
    return kinds


def detected_issue(frame: Frame, kind: str, caution: Caution) -> dict[str, object]:
    """FHIR R4 DetectedIssue: one caution about this patient."""
    return {
        "resourceType": "DetectedIssue",
        "identifier": [frame.identifier(kind)],
        "status": "preliminary",
        "code": OWN.get(caution.slug) or {"text": caution.slug.replace("-", " ")},
        "severity": caution.severity.value,
        "patient": frame.subject,
        "identifiedDateTime": frame.end,
        "author": frame.device,
        "implicated": [frame.to("closing-pressure"), frame.to("suggested-peep")],
        "detail": with_source(caution),
    }


def with_source(caution: Caution) -> str:
    """The caution's text with where it comes from."""
    return f"{caution.text} Source: {caution.citation.rstrip('.')}."


def outcome(frame: Frame) -> dict[str, object]:
    """FHIR R4 OperationOutcome: every input that did not count, and how the rest was read."""
    recommendation = frame.recommendation
    issues: list[dict[str, object]] = [ignored_issue(ignored) for ignored in recommendation.ignored]
    issues += [
        {"severity": "information", "code": "informational", "details": {"text": note}}
        for note in recommendation.request.notes
    ]
    if not recommendation.ignored:
        text = "Every input received was read; none was left out."
        issues.append({"severity": "information", "code": "informational", "details": {"text": text}})
    return {"resourceType": "OperationOutcome", "issue": issues}
