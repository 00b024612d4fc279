"""Certificates for tests, made new each time: an authority, a server on this machine, a client."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID


@dataclass(frozen=True, slots=True)
class Certificates:
    """PEM files; each certificate has its key in a file of its own."""

    authority: Path
    server: Path
    server_key: Path
    client: Path
    client_key: Path


def certificates(folder: Path, *, days: int = 1) -> Certificates:
    """Write them into a folder.

    Args:
        folder: where.
        days: until they expire; negative where they have.
    """
    root_key = ec.generate_private_key(ec.SECP256R1())
    root = _certificate("Test authority", root_key, "Test authority", root_key, days, authority=True)
    made = {"authority": _written(folder / "authority.pem", root)}
    for name in ("server", "client"):
        key = ec.generate_private_key(ec.SECP256R1())
        signed = _certificate(f"Test {name}", key, "Test authority", root_key, days, authority=False)
        made[name] = _written(folder / f"{name}.pem", signed)
        made[f"{name}_key"] = folder / f"{name}.key"
        made[f"{name}_key"].write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    return Certificates(**made)


def _written(path: Path, certificate: x509.Certificate) -> Path:
    path.write_bytes(certificate.public_bytes(Encoding.PEM))
    return path


def _certificate(
    name: str,
    key: ec.EllipticCurvePrivateKey,
    issuer: str,
    issuer_key: ec.EllipticCurvePrivateKey,
    days: int,
    *,
    authority: bool,
) -> x509.Certificate:
    now = dt.datetime.now(dt.UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]))
        .issuer_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, issuer)]))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=10))
        .not_valid_after(now + dt.timedelta(days=days))
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(issuer_key.public_key()), critical=False)
        .sign(issuer_key, SHA256())
    )
