"""The whole answer as one value: inputs, trial, estimate, advice, and the identity derived from them."""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.sources import Ignored
from ebbmark.physiology.advice.advice import Advice
from ebbmark.physiology.closing.estimate import Closing
from ebbmark.physiology.findings import Finding
from ebbmark.physiology.patient.steps_seen import StepSeen
from ebbmark.physiology.trial.reading import Trial

__all__ = ["Recommendation"]


@dataclass(frozen=True, slots=True)
class Recommendation:
    """Same inputs, same protocol, same engine version: same identity and same bytes.

    Attributes:
        identity: 64 hexadecimal digits, SHA-256 over input digest, protocol and engine version.
        input_digest: 64 hexadecimal digits, SHA-256 over the canonical inputs used.
        engine_version: version of this software.
        request: what was asked.
        trial: the limb that was read.
        closing: the estimate.
        advice: what follows.
        seen: what each step saw, in the order of the steps.
        findings: of the checks beside the curve, gravest first.
        ignored: every input that did not count: those of the request and the readings that the trial left out.
    """

    identity: str
    input_digest: str
    engine_version: str
    request: Request
    trial: Trial
    closing: Closing
    advice: Advice
    ignored: tuple[Ignored, ...]
    seen: tuple[StepSeen, ...] = ()
    findings: tuple[Finding, ...] = ()
