"""What the service holds at this moment, by requests and by bytes, and when one more is too many (load shedding).

A body counts from the arrival of each piece until its response is sent, so that what is being read, what waits for the
pool and what is computed are bounded together. Its Content-Length is looked at beforehand, but not counted: whoever
announces a body and sends none takes nothing from others. Nor does a request count as in progress while its body is on
the way: a hundred clients that send half of one keep nobody out. One body alone is always taken, up to its own limit.

Source: RFC 9110 sections 15.6.4 and 10.2.3 (503, Retry-After); load shedding is common practice, no published source.
"""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.web.authentication import Refused
from ebbmark.web.work_pool import RETRY_AFTER_S


@dataclass(slots=True)
class Load:
    """Requests in progress and bytes of their bodies.

    Attributes:
        requests: begun and not ended.
        reading: those of them whose body is not there yet; connections bound their number.
    """

    most_requests: int = 100
    most_bytes: int = 16_000_000
    requests: int = 0
    reading: int = 0
    held_bytes: int = 0

    @property
    def full(self) -> bool:
        """Whether a request is told to come back, the one that asks this counted."""
        return self.requests - self.reading > self.most_requests or self.held_bytes >= self.most_bytes

    def refusal(self, announced_bytes: int, *, has_body: bool) -> Problem | None:
        """Why a request that has just come is too many; None where it is taken."""
        if self.requests - self.reading + has_body > self.most_requests:
            return self._too_many_requests()
        return self._too_many_bytes(announced_bytes, own_bytes=0)

    def body_there(self) -> None:
        """Count a request as in progress, its body having come.

        Raises:
            Refused: 503, with it more would be in progress than may be.
        """
        self.reading -= 1
        if self.requests - self.reading > self.most_requests:
            raise Refused(self._too_many_requests(), {"Retry-After": str(RETRY_AFTER_S)})

    def _too_many_requests(self) -> Problem:
        return _busy("requests", f"at most {self.most_requests} in progress")

    def take(self, size_bytes: int, *, own_bytes: int) -> None:
        """Count a piece of a body.

        Args:
            own_bytes: of the same body so far.

        Raises:
            Refused: 503, with it more would be held than may be.
        """
        problem = self._too_many_bytes(size_bytes, own_bytes=own_bytes)
        if problem is not None:
            raise Refused(problem, {"Retry-After": str(RETRY_AFTER_S)})
        self.held_bytes += size_bytes

    def _too_many_bytes(self, size_bytes: int, *, own_bytes: int) -> Problem | None:
        alone = self.held_bytes == own_bytes
        if size_bytes == 0 or alone or self.held_bytes + size_bytes <= self.most_bytes:
            return None
        return _busy("bytes", f"bodies of at most {self.most_bytes:,} bytes together")


def _busy(what: str, accepted: str) -> Problem:
    sentence = f"Too many {what} are in progress; ask again in {RETRY_AFTER_S} s."
    return Problem(ProblemKind.BUSY, "", f"more {what} at once than are taken", accepted, sentence)
