"""Ebbmark as a library: what `import ebbmark` offers, in one place. No network, no files, no state.

Everything else in this package is private by convention and may change without notice.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace

import msgspec

from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.physiology.closing import estimator
from ebbmark.physiology.closing.result import Closing, CurveStep
from ebbmark.use_cases.questions import answer_request
from ebbmark.words.messages import spell

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


def estimate_closing(
    steps: Sequence[CurveStep], *, fall: float = 0.05, dynamic: bool = False, total_peep_known: bool = True
) -> Closing:
    """Estimate the closing pressure from the steps of one decremental limb; its reason, where it has one, in words.

    Args:
        steps: strictly falling PEEP, highest first.
        fall: relative fall below the maximum so far that counts as closing.
        dynamic: whether the compliances are dynamic; the answer is then less sure.
        total_peep_known: whether compliance was computed from total PEEP; if not, intrinsic PEEP may dilute a fall.

    Raises:
        ValueError: a compliance that is not positive and finite, a step without readings, a PEEP or resolution
            that is not a number, or a `fall` outside 0.01 to 0.5.
    """
    found = estimator.estimate_closing(steps, fall=fall, dynamic=dynamic, total_peep_known=total_peep_known)
    return replace(found, reason=spell(found.reason))
