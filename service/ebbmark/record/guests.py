"""May the record that a caller names be asked, and how? Only a listed one, with the caller's token, for one question.

A caller's token is never kept and our own sign-in never sent along. The connections outlive the question, so that a
clinician who waits does not wait for a new one.
"""

from __future__ import annotations

import ssl
from collections.abc import Iterable
from dataclasses import replace

from ebbmark.record.address_guard import Resolve, refusal_of, resolved
from ebbmark.record.client import RecordClient, RecordSettings
from ebbmark.record.exchange import Exchange, Patience

__all__ = ["GuestRecords"]


class GuestRecords:
    """The records that callers may name.

    Args:
        allowed_base_urls: their FHIR base addresses, or addresses above them.
        patience: how far it goes with each reply.
        tls: trust for all of them; None for the usual.
        private_networks: networks that are not global and that their names may still lead to.
        resolve: finds the addresses of a name.
    """

    def __init__(
        self,
        allowed_base_urls: Iterable[str],
        *,
        patience: Patience,
        tls: ssl.SSLContext | None = None,
        private_networks: tuple[str, ...] = (),
        resolve: Resolve = resolved,
    ) -> None:
        self._settings = RecordSettings(
            base_url="",
            allowed_base_urls=tuple(allowed_base_urls),
            connect_timeout_s=patience.connect_timeout_s,
            read_timeout_s=patience.read_timeout_s,
            attempt_timeout_s=patience.attempt_timeout_s,
            max_attempts=2,
            max_total_wait_s=1.0,
            max_response_bytes=patience.max_response_bytes,
            private_networks=private_networks,
        )
        self._exchange = Exchange(patience, tls=tls, private_networks=private_networks, resolve=resolve)

    async def aclose(self) -> None:
        """Close every connection."""
        await self._exchange.aclose()

    def refusal(self, base_url: str) -> str:
        """Why a record may not be asked, as a clause; empty where it may."""
        reason = refusal_of(base_url, self._settings.allowed_base_urls)
        return f"the fhirServer {reason.value}" if reason is not None else ""

    def record(self, base_url: str, token: str) -> RecordClient:
        """The record of one call.

        Args:
            base_url: FHIR base address, found allowed.
            token: access token that the caller sent for it.
        """
        settings = replace(self._settings, base_url=base_url, bearer_token=token)
        return RecordClient(settings, exchange=self._exchange)
