"""Ebbmark as a library: what `import ebbmark` offers, in one place. No network, no files, no state.

Everything else in this package is private by convention and may change without notice.
"""

from __future__ import annotations

import time

import msgspec

from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.question import RequestContext
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.physiology.closing.closing import estimate_closing
from ebbmark.physiology.closing.estimate import Closing, CurveStep
from ebbmark.use_cases.questions import answer_request

__all__ = ["Closing", "CurveStep", "Rejected", "ask", "estimate_closing", "titrate"]

Json = dict[str, object]


def titrate(request: bytes | Json, *, at_s: float | None = None) -> Json:
    """Read a decremental PEEP trial and answer as `$titrate-peep` does.

    Args:
        request: FHIR R4 Parameters or Bundle, as JSON bytes or as plain JSON values.
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z]; the present one where absent.

    Returns:
        FHIR R4 Bundle of type collection, as plain JSON values: preliminary results with their Provenance.

    Raises:
        Rejected: with every problem that was found and every input that was ignored.
    """
    return ask(TITRATE_PEEP.slug, request, at_s=at_s)


def ask(operation: str, request: bytes | Json, *, at_s: float | None = None) -> Json:
    """Answer any operation.

    Args:
        operation: its name behind the `$`, for example `next-step`.
        request: FHIR R4 Parameters or Bundle, as JSON bytes or as plain JSON values.
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z]; the present one where absent.

    Returns:
        FHIR R4 Bundle of type collection, as plain JSON values.

    Raises:
        KeyError: there is no operation of this name.
        Rejected: with every problem that was found and every input that was ignored.
    """
    now_s = time.time() if at_s is None else at_s
    body = request if isinstance(request, bytes) else msgspec.json.encode(request)
    return write_bundle(answer_request(BY_SLUG[operation], body, RequestContext(now_s)), recorded_s=now_s)
