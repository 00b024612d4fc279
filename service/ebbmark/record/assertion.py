"""How do we prove to an authorization server who we are? One signed, short-lived, never repeated statement.

Source: SMART App Launch 2.2, client-confidential-asymmetric; RFC 7523 section 3.
"""

from __future__ import annotations

from joserfc import jwt

from ebbmark.keys import SigningKey

__all__ = ["ASSERTION_LIFE_S", "client_assertion"]

ASSERTION_LIFE_S = 180
"""The standard allows 300 s. Less leaves room for a clock of ours that is fast, and enough for one that is slow [s]."""


def client_assertion(key: SigningKey, *, client_id: str, token_url: str, jti: str, at_s: float) -> str:
    """Sign an authentication JWT.

    Args:
        key: signs; its kid is how the server finds its public part.
        client_id: issuer and subject.
        token_url: audience, exactly as it will be called.
        jti: never used before.
        at_s: now [s since 1970-01-01T00:00:00Z].

    Returns:
        The JWT in compact form, good for `ASSERTION_LIFE_S`.
    """
    issued_s = int(at_s)
    claims: dict[str, object] = {
        "iss": client_id,
        "sub": client_id,
        "aud": token_url,
        "exp": issued_s + ASSERTION_LIFE_S,
        "iat": issued_s,
        "jti": jti,
    }
    header = {"alg": key.algorithm, "kid": key.kid, "typ": "JWT"}
    return jwt.encode(header, claims, key.key, algorithms=[key.algorithm])
