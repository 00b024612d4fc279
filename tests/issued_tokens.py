"""Tokens as other parties make them: signed by an independent library (PyJWT), or forged by hand."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from dataclasses import dataclass, field
from typing import Any

import jwt
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, PublicFormat

NOW_S = 1_790_000_000.0
ISSUER = "https://issuer.example"
CLIENT = "icu-dashboard"


@dataclass(frozen=True, slots=True)
class Issuer:
    """Somebody who signs tokens with one key."""

    kid: str
    algorithm: str
    key: Any = field(repr=False)
    name: str = ISSUER

    @classmethod
    def new(cls, algorithm: str = "ES384", kid: str = "k1", name: str = ISSUER) -> Issuer:
        curves = {"ES256": ec.SECP256R1(), "ES384": ec.SECP384R1(), "ES512": ec.SECP521R1()}
        key = (
            ec.generate_private_key(curves[algorithm])
            if algorithm in curves
            else rsa.generate_private_key(public_exponent=65537, key_size=2048)
        )
        return cls(kid, algorithm, key, name)

    @property
    def jwk(self) -> dict[str, Any]:
        algorithm = jwt.get_algorithm_by_name(self.algorithm)
        written: dict[str, Any] = json.loads(algorithm.to_jwk(self.key.public_key()))
        return {**written, "kid": self.kid, "use": "sig", "alg": self.algorithm}

    @property
    def public_pem(self) -> bytes:
        pem: bytes = self.key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
        return pem

    @property
    def private_pem(self) -> bytes:
        pem: bytes = self.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
        return pem

    def claims(self, **changes: object) -> dict[str, Any]:
        """Those of a good access token; None takes a claim away."""
        claims = {
            "iss": self.name,
            "aud": "https://peep.example/fhir",
            "sub": CLIENT,
            "client_id": CLIENT,
            "scope": "system/Observation.rs",
            "iat": int(NOW_S) - 10,
            "nbf": int(NOW_S) - 10,
            "exp": int(NOW_S) + 290,
            "jti": "j1",
            **changes,
        }
        return {name: value for name, value in claims.items() if value is not None}

    def token(self, headers: dict[str, Any] | None = None, **changes: object) -> str:
        """A good token, but for the changes."""
        return self.sign(self.claims(**changes), headers)

    def sign(self, claims: dict[str, Any], headers: dict[str, Any] | None = None) -> str:
        return jwt.encode(claims, self.key, self.algorithm, headers={"kid": self.kid, **(headers or {})})


def segment(part: object) -> str:
    """One part of a token in compact form."""
    content = part if isinstance(part, bytes) else json.dumps(part).encode()
    return base64.urlsafe_b64encode(content).rstrip(b"=").decode()


def forged(header: object, claims: object, signature: bytes = b"") -> str:
    """A token without any library that would refuse to make it."""
    return f"{segment(header)}.{segment(claims)}.{segment(signature) if signature else ''}"


def hmac_signed(header: object, claims: object, secret: bytes) -> str:
    """A token signed with a symmetric algorithm, by hand: libraries refuse public keys as secrets."""
    signing_input = f"{segment(header)}.{segment(claims)}"
    return f"{signing_input}.{segment(hmac.new(secret, signing_input.encode(), hashlib.sha256).digest())}"
