"""Where does the record's authorization server give tokens, may it be asked, and what does its refusal say?

Source: SMART App Launch 2.2, conformance (.well-known/smart-configuration); RFC 6749 section 5.2 (error codes).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import msgspec

from ebbmark.record.address_guard import refusal_of, same_server
from ebbmark.record.exchange import Answer, Exchange, Failure, Reply, decoded
from ebbmark.record.retrying import Trouble

__all__ = ["SignInFailure", "TokenEndpoint", "discovered", "failure_of", "may_be_asked"]

PRIVATE_KEY_JWT = "private_key_jwt"
# RFC 6749 section 5.2. Only these are ever quoted: any other text may hold what must not be logged.
_ERROR_CODES = frozenset(
    {
        "invalid_request",
        "invalid_client",
        "invalid_grant",
        "unauthorized_client",
        "unsupported_grant_type",
        "invalid_scope",
    }
)


@dataclass(frozen=True, slots=True)
class TokenEndpoint:
    """Where tokens are given, and the algorithms taken there; None where that is not said."""

    url: str
    algorithms: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class SignInFailure:
    """Why there is no token.

    Attributes:
        trouble: SIGN_IN_REFUSED where a repeat brings the same, SIGN_IN_FAILED where it may pass by itself.
        reason: completes the sentence; our own words, HTTP statuses and OAuth error codes only.
    """

    trouble: Trouble
    reason: str

    @property
    def sentence(self) -> str:
        """The whole for a log."""
        return f"No sign-in to the record: at its authorization server, {self.reason}."


class _Configuration(msgspec.Struct):
    token_endpoint: str
    token_endpoint_auth_methods_supported: list[str] | None = None
    token_endpoint_auth_signing_alg_values_supported: list[str] | None = None


class _Error(msgspec.Struct):
    error: str = ""


async def discovered(record_base_url: str, exchange: Exchange) -> TokenEndpoint | SignInFailure:
    """Ask the record where to sign in.

    Args:
        record_base_url: FHIR base URL, already on the list of allowed ones.
        exchange: the connections.

    Returns:
        The endpoint, still to be judged; or the failure.
    """
    base = record_base_url.rstrip("/")
    url = f"{base}/.well-known/smart-configuration"
    if refusal_of(url, (base,)) is not None:
        return SignInFailure(Trouble.SIGN_IN_REFUSED, "the record's address may not be called")
    answer = await exchange.ask("GET", url, headers={"Accept": "application/json"})
    if isinstance(answer, Failure) or answer.status != 200:
        return failure_of(answer)
    found = decoded(answer, _Configuration)
    if found is None:
        return SignInFailure(Trouble.SIGN_IN_REFUSED, "the smart-configuration names no token_endpoint")
    methods = found.token_endpoint_auth_methods_supported
    if methods is not None and PRIVATE_KEY_JWT not in methods:
        return SignInFailure(Trouble.SIGN_IN_REFUSED, f"{PRIVATE_KEY_JWT} is not among the methods taken")
    algorithms = found.token_endpoint_auth_signing_alg_values_supported
    return TokenEndpoint(found.token_endpoint, None if algorithms is None else tuple(algorithms))


def may_be_asked(
    url: str, known: Iterable[str | None], hosts: Iterable[str], *, name: str = "token_endpoint"
) -> SignInFailure | None:
    """Say why an endpoint of an authorization server may not be asked, or None if it may.

    Args:
        url: the endpoint, perhaps as another system named it.
        known: addresses that the operator configured: their hosts, at the same port.
        hosts: further hosts that the operator listed, with a port (`host:8443`) where it is not the usual one.
        name: of the endpoint, for the reason.
    """
    # Judged against itself: spelling and encryption. The host is judged below.
    if refusal_of(url, (url.split("?", 1)[0],)) is not None:
        return SignInFailure(Trouble.SIGN_IN_REFUSED, f"the {name} is not a plain https address")
    scheme = url.partition("://")[0]
    listed = [*(one for one in known if one is not None), *(f"{scheme}://{host}" for host in hosts)]
    if not any(same_server(url, one) for one in listed):
        return SignInFailure(Trouble.SIGN_IN_REFUSED, f"the {name} is on a host that is not listed")
    return None


def failure_of(answer: Answer) -> SignInFailure:
    """What an answer other than success means."""
    if isinstance(answer, Failure):
        lasting = answer.trouble in (Trouble.SURPRISING_ADDRESS, Trouble.NOT_ALLOWED, Trouble.NOT_SENDABLE)
        trouble = Trouble.SIGN_IN_REFUSED if lasting else Trouble.SIGN_IN_FAILED
        return SignInFailure(trouble, f"no reply came ({answer.trouble.slug})")
    trouble = Trouble.SIGN_IN_FAILED if answer.status >= 500 or answer.status == 429 else Trouble.SIGN_IN_REFUSED
    return SignInFailure(trouble, f"the reply was HTTP {answer.status}{_code_in(answer)}")


def _code_in(reply: Reply) -> str:
    found = decoded(reply, _Error)
    return f", {found.error}" if found is not None and found.error in _ERROR_CODES else ""
