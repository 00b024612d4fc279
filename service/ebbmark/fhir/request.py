"""Another name of `reading.request` and `sources`, until nobody imports it."""

from __future__ import annotations

from ebbmark.fhir.reading.patient import Person
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.sources import Ignored, Source

__all__ = ["Ignored", "Person", "Request", "Source"]
