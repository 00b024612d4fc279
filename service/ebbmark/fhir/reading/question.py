"""What was asked, and with which resources? The request taken apart, before anything is interpreted."""

from __future__ import annotations

from dataclasses import dataclass, field

from ebbmark.fhir.problems import Problem
from ebbmark.fhir.reading.codes import CodeRow
from ebbmark.fhir.reading.patient import ReceivedPatient
from ebbmark.fhir.reading.shapes import DeviceMetric
from ebbmark.fhir.reading.versions import Received
from ebbmark.fhir.request import Ignored
from ebbmark.physiology.formulas.body import Sex
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, PROTOCOLS, Protocol

__all__ = ["Question"]


@dataclass(slots=True)
class Question:
    """What the request holds; filled once.

    Attributes:
        observations: in the order received.
        patients: in the order received.
        metrics: DeviceMetrics with their FHIRPath and fullUrl.
        code_rows: what a ConceptMap adds to the table of codes.
        protocols: rule sets that may be asked for.
        protocol: rule set, with its margin.
        margin: margin asked for with its FHIRPath, until the protocol is known [cm[H2O]].
        sex: the caller's choice of formula.
        as_of_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        accept_preliminary: whether preliminary Observations count.
        write_back: whether the answer is to be written to the record.
        make_current: whether an answer that the record holds as superseded is to stand again.
        with_report: whether the answer is to hold a report.
        ignored: resources that are not read.
        problems: what stops the request.
        notes: remarks.
    """

    as_of_s: float
    accept_preliminary: bool = False
    observations: list[Received] = field(default_factory=list)
    patients: list[ReceivedPatient] = field(default_factory=list)
    metrics: list[tuple[DeviceMetric, str, str]] = field(default_factory=list)
    code_rows: list[CodeRow] = field(default_factory=list)
    protocols: tuple[Protocol, ...] = PROTOCOLS
    protocol: Protocol = DEFAULT_PROTOCOL
    margin: tuple[float, str] | None = None
    sex: Sex | None = None
    write_back: bool = False
    make_current: bool = False
    with_report: bool = False
    ignored: list[Ignored] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
