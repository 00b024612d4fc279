"""Answers the fixtures, the examples and drawn trials and prints one digest of each kind of output.

Run in processes of their own, under the settings that make numerical libraries take other paths:
`python -m processors.answering TRIALS PICTURES` with `service` and `tests` on the path.
"""

from __future__ import annotations

import json
import sys
from hashlib import sha256
from pathlib import Path

from agreement.drawn import drawn
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.write import write_bundle_bytes
from ebbmark.use_cases.questions import answer_request
from ebbmark.views.figure import figure_of
from ebbmark.views.picture import draw
from ebbmark.views.sheet import report_pdf

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "service" / "ebbmark" / "web" / "page" / "scenarios"
AT_S = 1_900_000_000.0
KINDS = 10
"""Kinds of trials that are drawn."""


def digests(trials: int, pictures: int) -> dict[str, object]:
    """SHA-256 over all answers, figures and pages.

    Args:
        trials: how many drawn trials are answered, rounded up to a multiple of the kinds.
        pictures: of how many of them the figure and the page are made; all fixtures and examples have both.
    """
    bundles, figures, pages = sha256(), sha256(), sha256()
    count = shown = 0
    files = [*sorted(ROOT.glob("fixtures/*/request.json")), *sorted(EXAMPLES.glob("*.json"))]
    requests = [file.read_bytes() for file in files]
    requests += [one.body() for one in drawn(-(-trials // KINDS))]
    every = max(1, (len(requests) - len(files)) // max(1, pictures))
    for number, request in enumerate(requests):
        answer = _answer(request)
        count += 1
        if isinstance(answer, str):
            bundles.update(answer.encode())
            continue
        bundles.update(write_bundle_bytes(answer, recorded_s=AT_S))
        if number < len(files) or (pictures and number % every == 0):
            shown += 1
            figures.update(draw(figure_of(answer)))
            pages.update(report_pdf(answer, recorded_s=AT_S))
    return {
        "answers": count,
        "pictures": shown,
        "bundle": bundles.hexdigest(),
        "figure": figures.hexdigest(),
        "pdf": pages.hexdigest(),
    }


def _answer(request: bytes) -> Answer | str:
    try:
        return answer_request(TITRATE_PEEP, request, RequestContext(AT_S))
    except Rejected as rejected:
        return " ".join(problem.sentence for problem in rejected.problems)


if __name__ == "__main__":
    sys.stdout.write(json.dumps(digests(int(sys.argv[1]), int(sys.argv[2]))) + "\n")
