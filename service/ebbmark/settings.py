"""Everything that a site may set, read once at the rim from the environment (prefix EBBMARK_)."""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Literal, Self, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    IPvAnyNetwork,
    SecretStr,
    StringConstraints,
    field_validator,
    model_validator,
)
from pydantic_settings import BaseSettings, EnvSettingsSource, SettingsConfigDict

PREFIX = "EBBMARK_"

Algorithm = Literal["ES256", "ES384", "ES512", "RS256", "RS384", "RS512", "PS256", "PS384", "PS512"]
Origin = Annotated[str, StringConstraints(pattern=r"^https?://[A-Za-z0-9.*:\[\]-]+$")]

WrittenType = Literal[
    "Device",
    "Observation",
    "GuidanceResponse",
    "DetectedIssue",
    "DiagnosticReport",
    "Provenance",
    "List",
    "CarePlan",
    "RequestGroup",
    "DeviceRequest",
]


class Issuer(BaseModel):
    """A party whose tokens are accepted, and what checks them: its public keys, introspection, or both."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    issuer: str = Field(min_length=1, description="As in the iss of its tokens.")
    jwks_url: str | None = Field(default=None, description="Address of its JSON Web Key Set.")
    jwks_file: Path | None = Field(default=None, description="File with its JSON Web Key Set.")
    token_url: str | None = Field(
        default=None,
        pattern=r"^https?://[^/\s]+(/\S*)?$",
        description="Address where clients get its tokens; told in our smart-configuration.",
    )
    introspection_url: str | None = Field(
        default=None,
        description="Address that is asked about tokens that are no JWT, or about every token where no issuer has keys "
        "(RFC 7662); of one issuer only.",
    )
    introspection_client_id: str | None = Field(default=None, description="Our client id there.")
    introspection_secret_file: Path | None = Field(default=None, description="File with our secret there.")
    roles: dict[str, tuple[str, ...]] = Field(
        default={},
        description="Scopes that a role stands for, where its tokens name roles of a directory (claims roles, groups "
        "or entitlements, RFC 9068).",
    )

    @model_validator(mode="after")
    def _can_be_checked(self) -> Self:
        keys = sum(one is not None for one in (self.jwks_url, self.jwks_file))
        asked = (self.introspection_url, self.introspection_client_id, self.introspection_secret_file)
        if any(one is not None for one in asked) and None in asked:
            raise ValueError(
                "introspection_url, introspection_client_id and introspection_secret_file go together; one is missing"
            )
        if keys > 1 or (not keys and self.introspection_url is None):
            raise ValueError("name either jwks_url or jwks_file, or introspection_url without them")
        return self


class SmartRecord(BaseModel):
    """A record that may open the page (SMART App Launch), and as whom we ask it for access.

    Without `client_secret` and `private_key_jwt` we are a public client there.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    iss: str = Field(min_length=1, description="FHIR base URL of the record.")
    client_id: str = Field(min_length=1, description="Our client id at its authorization server.")
    client_secret: SecretStr | None = Field(default=None, description="Our secret there.")
    private_key_jwt: bool = Field(default=False, description="Whether we sign in with a key of EBBMARK_SIGNING_KEYS.")
    title: str | None = Field(default=None, description="What people call it; unset: its host.")
    scope: str | None = Field(default=None, description="Scopes to ask for; unset: what the page needs.")
    hosts: tuple[str, ...] = Field(
        default=(),
        description="Hosts of its authorization server beside its own, with a port (host:8443) if it has no usual one.",
    )
    callback: str | None = Field(
        default=None,
        pattern=r"^[a-z0-9-]{1,40}$",
        description="Word after /launch/callback/ where its replies come to; of several records each needs its own.",
    )


SITE_FILES = ("code_map", "charting", "protocols", "stop_limits", "value_sets", "messages")
"""The settings that name files of the site."""


class Settings(BaseSettings):
    """Configuration; frozen once read. Each field is `EBBMARK_` plus its name in capitals."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, frozen=True, extra="ignore")

    host: str = Field(default="127.0.0.1", description="Address to listen on.")
    port: int = Field(default=8087, ge=0, le=65535, description="Port to listen on; 0 takes a free one and prints it.")
    base_url: str | None = Field(
        default=None, description="Address at which callers see the service; unset: host and port."
    )
    log_level: Literal["debug", "info", "warning", "error"] = Field(
        default="info", description="Lowest level of log lines; audit lines are always there. debug: each request, too."
    )
    metrics_port: int | None = Field(
        default=None,
        ge=0,
        le=65535,
        description="Port on which Prometheus metrics are shown at /metrics, to whoever reaches it; 0 takes a free one "
        "and prints it. Unset: no metrics.",
    )
    metrics_host: str = Field(default="127.0.0.1", description="Address to show the metrics on.")
    traces_to: str | None = Field(
        default=None,
        pattern=r"^https?://[^/\s]+(/\S*)?$",
        description="Address of an OpenTelemetry collector that takes OTLP over HTTP, as "
        "https://collector.example/v1/traces; needs the packages of ebbmark[traces]. Unset: no traces.",
    )
    traces_share: float = Field(
        default=1.0,
        ge=0,
        le=1,
        description="Share of the traces that begin here that is kept; one that a caller began follows its choice.",
    )
    drain_s: float = Field(
        default=25.0, gt=0, description="Longest wait for requests under way, once told to stop; then they are cut."
    )
    max_body_bytes: int = Field(default=2_000_000, gt=0, description="Largest request body.")
    max_entries: int = Field(default=5_000, gt=0, description="Most resources in one request.")
    requests_at_once: int = Field(
        default=100, ge=1, description="Most requests in progress or waiting; one more is told to come back (503)."
    )
    body_bytes_at_once: int = Field(
        default=16_000_000,
        gt=0,
        description="Most bytes of bodies that are read, wait or are answered at the same time; one request more is "
        "told to come back (503). A single body is bounded by EBBMARK_MAX_BODY_BYTES alone.",
    )
    connections_at_once: int = Field(
        default=500, ge=1, description="Most open connections; one more is told to come back (503) and closed."
    )
    answer_deadline_s: float = Field(
        default=20.0, gt=0, le=600, description="Longest wait for an answer to be computed; then 503."
    )
    request_deadline_s: float = Field(
        default=55.0,
        gt=0,
        le=600,
        description="Longest time for a whole request (operation, page or card call) that reads from the record or "
        "writes to it [s]; keep it below "
        "the limit of the gateway before this service, usually 60 s.",
    )
    accept_preliminary: bool = Field(
        default=False, description="Whether Observations of status preliminary count where the request does not say."
    )
    code_map: Path | None = Field(
        default=None,
        description="File, or folder of .json files, with the site's ConceptMaps from local codes, as they are: rows "
        "that are not for this service are left.",
    )
    charting: Path | None = Field(
        default=None,
        description="JSON file with the site's charting table, signed by a clinician: what spellings of units, codes "
        "without a system and texts mean there, the unit of numbers without one, the zone of times without one. A "
        "replay needs the same file.",
    )
    value_sets: Path | None = Field(
        default=None,
        description="File, or folder of .json files, with FHIR ValueSets that add the site's codes of conditions.",
    )
    protocols: Path | None = Field(
        default=None,
        description="JSON file with the site's own protocols and staircases, and with signed completions of published "
        "staircases, each value with its source.",
    )
    stop_limits: Path | None = Field(
        default=None,
        description="JSON file with the stop limits of a trial in progress, signed by a clinician of the site.",
    )
    messages: Path | None = Field(
        default=None,
        description="TOML file with the sentences in another language, by identifier, in the form of "
        "`words/english.toml`; what it leaves out stays English. A replay needs the same file.",
    )
    record_base_url: str | None = Field(
        default=None, description="FHIR base URL to write results to; unset: no write-back."
    )
    record_allowed_base_urls: tuple[str, ...] = Field(
        default=(), description="FHIR base URLs that may be called at all; the one above is always among them."
    )
    record_token: SecretStr | None = Field(default=None, description="Bearer token for the record.")
    record_connect_timeout_s: float = Field(default=3.0, gt=0, description="Longest wait for a connection.")
    record_read_timeout_s: float = Field(default=10.0, gt=0, description="Longest wait for a reply.")
    record_attempts: int = Field(default=4, ge=1, le=10, description="Most attempts at one write.")
    record_longest_wait_s: float = Field(
        default=20.0, ge=0, description="Longest time spent waiting between attempts in all."
    )
    record_write_timeout_s: float = Field(
        default=25.0,
        gt=0,
        description="Longest time for one write-back with its looks [s]; with the 30 s of reading below a usual "
        "gateway's 60 s.",
    )
    record_searches_at_once: int = Field(
        default=3, ge=1, le=10, description="Most searches of one question that run side by side; 1: one after another."
    )
    record_writes: tuple[WrittenType, ...] = Field(
        default=get_args(WrittenType),
        description="Resource types that the record takes, Observation among them; what else an answer has is carried "
        "inside its first result. `check-record --write-to` proposes it.",
    )
    record_most_creates: int | None = Field(
        default=None,
        ge=1,
        description="Most conditional creates in one transaction, where the record bounds it; what an answer has more "
        "is carried inside its first result. As many changes may come besides, where an earlier answer is superseded. "
        "Unset: no limit. `check-record --write-to` proposes it.",
    )
    record_refusal_log: Path | None = Field(
        default=None,
        description="File for what the record says word for word when it refuses, which may hold patient data: one "
        "JSON line each, mode 600. Callers get its issue codes, elements and our own words only. Unset: nowhere.",
    )
    record_max_reply_bytes: int = Field(default=5_000_000, gt=0, description="Largest reply read from the record.")
    record_reply_bytes_at_once: int = Field(
        default=40_000_000,
        gt=0,
        description="Most bytes of replies of all records that requests in progress hold together; beyond it a request "
        "waits, within its deadline, until others have ended. The one that has read for longest never waits.",
    )
    record_client_id: str | None = Field(
        default=None,
        description="Our client id at the record's authorization server, to sign in by SMART Backend Services.",
    )
    record_scope: str = Field(
        default="system/Patient.rs system/Observation.crus system/GuidanceResponse.crus system/DetectedIssue.crus "
        "system/DiagnosticReport.crus system/Device.crs system/DeviceMetric.rs system/Provenance.crs system/List.crus "
        "system/Condition.rs system/Procedure.rs system/MedicationAdministration.rs",
        description="Scopes to ask for when signing in to the record; u marks an earlier answer superseded.",
    )
    record_token_url: str | None = Field(
        default=None, description="Where the record's tokens are given; unset: discovered below the record's base URL."
    )
    record_token_hosts: tuple[str, ...] = Field(
        default=(),
        description="Hosts that may give tokens beside the record's own and that of record_token_url, with a port "
        "(host:8443) unless it is the usual one.",
    )
    record_certificate: Path | None = Field(
        default=None, description="PEM file with the client certificate to show to the record (mutual TLS)."
    )
    record_certificate_key: Path | None = Field(
        default=None, description="PEM file with its private key; unset: in the same file."
    )
    record_authorities: Path | None = Field(
        default=None,
        description="PEM file with the certificate authorities to trust instead of the usual ones: for the record, its "
        "authorization server, issuers and the shared store.",
    )
    private_networks: tuple[IPvAnyNetwork, ...] = Field(
        default=(),
        description="Networks inside the house, as 10.1.0.0/16, that names of the record, its authorization server and "
        "issuers may lead to; any other address that is not global is refused.",
    )
    plain_http_hosts: tuple[Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9._-]+:[0-9]{1,5}$")], ...] = Field(
        default=(),
        description="Hosts with their port, as record:8080, of records and their authorization servers that may be "
        "spoken to without encryption, one by one; for networks that nobody else can listen to, as between containers. "
        "Patient data and tokens are then readable on the way; the start warns of it.",
    )
    record_internal_base_urls: tuple[str, ...] = Field(
        default=(),
        description="Base addresses by which the record names itself in the links of its pages, as "
        "http://fhir-internal:8080/fhir; EBBMARK_RECORD_BASE_URL is called in their place.",
    )
    trusted_proxies: tuple[IPvAnyNetwork, ...] = Field(
        default=(),
        description="Networks of the gateways before this service, as 10.1.2.0/24: what they say in X-Forwarded-For "
        "counts as the client's address, for limits and the audit. They must set that header themselves.",
    )
    sign_results: bool = Field(
        default=False,
        description="Whether every answer carries a detached JWS in its Provenance, made with the first of the keys "
        "in EBBMARK_SIGNING_KEYS.",
    )
    signing_keys: tuple[Path, ...] = Field(
        default=(),
        description="Files with our private keys as JSON Web Key Sets (EC P-384 or RSA); the first fitting signs, the "
        "public parts of all are published.",
    )
    issuers: tuple[Issuer, ...] = Field(
        default=(),
        description="Those whose access tokens are accepted: issuer and jwks_url or jwks_file, as JSON; or "
        "introspection_url with introspection_client_id and introspection_secret_file, for tokens that are no JWT.",
    )
    cds_clients: tuple[Issuer, ...] = Field(
        default=(),
        description="CDS Hooks clients whose JWTs are accepted: issuer and jwks_url or jwks_file, as JSON.",
    )
    cds_origins: tuple[Annotated[str, StringConstraints(pattern=r"^https?://[^/\s*]+$")], ...] = Field(
        default=(), description="Web origins, as https://ehr.example, whose pages may call the CDS Hooks door."
    )
    documentation_url: str | None = Field(
        default=None,
        pattern=r"^https?://[^/\s]+(/\S*)?$",
        description="Address that cards lead to for what this service does; unset: its CapabilityStatement.",
    )
    administrator_scope: str | None = Field(
        default=None,
        min_length=1,
        pattern=r"^[!#-\[\]-~]+$",
        description="Scope that opens /inspect, which tells counts and ranges of charted data, beside "
        "system/Observation.rs; a role of a directory may stand for both (roles of an issuer), or a SMART launch "
        "grants it (scope of EBBMARK_SMART_CLIENTS). Unset: nobody who signs in; without sign-in, this machine.",
    )
    audience: str | None = Field(
        default=None, description="What aud of an access token must say; unset: the FHIR base URL of this service."
    )
    accepted_algorithms: tuple[Algorithm, ...] = Field(
        default=("ES384", "RS384", "ES256", "RS256", "PS256"),
        min_length=1,
        description="Signature algorithms accepted in tokens.",
    )
    clock_leeway_s: float = Field(default=30.0, ge=0, le=300, description="How far apart our clock and others' may be.")
    oldest_token_s: float = Field(
        default=86_400.0, ge=60, description="How long ago a token may have been issued, where it says so (iat)."
    )
    authentication: Literal["bearer", "none-on-loopback"] | None = Field(
        default=None,
        description="Whether callers must sign in. none-on-loopback: nobody signs in, only this machine may call; for "
        "development. Unset: bearer where issuers are configured, else none-on-loopback.",
    )
    requests_per_minute: float | None = Field(
        default=None,
        ge=0,
        description="Most requests per client; 0: no limit. Unset: 6,000, none where sign-in is off.",
    )
    request_burst: int = Field(default=500, ge=1, description="Most requests per client at once, after a pause.")
    shared_store_url: SecretStr | None = Field(
        default=None,
        description="Address of a store that all replicas share (Valkey, Redis), as rediss://:password@store:6379/0: "
        "tokens of CDS Hooks clients and launches of the page then count once in all, and limits in all. Unset: at "
        "each replica.",
    )
    audit_to: Literal["log", "record"] = Field(
        default="log", description="Where AuditEvents go: one JSON line each in the log stream, or into the record."
    )
    audit_names_patient: bool = Field(
        default=False, description="Whether an AuditEvent in the log stream names the patient, by reference."
    )
    smart_clients: tuple[SmartRecord, ...] = Field(
        default=(),
        description="Records that may open the page: iss, client_id, and client_secret or private_key_jwt where we are "
        "no public client, as JSON; unset: no page in a record.",
    )
    cookie_keys: tuple[Path, ...] = Field(
        default=(),
        description="Files with keys for the cookies of the page, as JSON Web Key Sets (ebbmark new-key --algorithm "
        "A256GCM); the first seals, all open. Needed with EBBMARK_SMART_CLIENTS unless only this machine is served.",
    )
    session_hours: float = Field(
        default=12.0, gt=0, le=24, description="How long the page in a record stays open however often it is renewed."
    )
    demo: bool = Field(
        default=False, description="Whether pages with invented patients are shown at /demo/; on this machine only."
    )
    time_zone: str = Field(
        default="UTC", description="Zone in which pages tell times, by its name in the IANA database: Europe/Vienna."
    )
    page_frame_ancestors: tuple[Origin, ...] = Field(
        default=(), description="Origins that may show our pages in a frame, as https://ehr.example; unset: nobody."
    )

    bridge_host: str = Field(default="127.0.0.1", description="Address on which the bridge listens for HL7 v2 (MLLP).")
    bridge_port: int = Field(
        default=2575, ge=0, le=65535, description="Port of the bridge; 0 takes a free one and prints it."
    )
    bridge_assigners: dict[str, str] = Field(
        default={},
        description="FHIR system of patient identifiers by their assigner in PID-3.4 (namespace or universal id), as "
        'JSON: {"HOSPITAL": "https://hospital.example/mrn"}. An assigner with an OID needs no row.',
    )
    bridge_time_zone: str | None = Field(
        default=None,
        description="Zone of times without one in device messages, by its name in the IANA database; unset: refused.",
    )
    bridge_networks: tuple[IPvAnyNetwork, ...] = Field(
        default=(),
        description="Networks whose peers may send to the bridge, as 10.2.0.0/16; unset: this machine only, or whoever "
        "shows a certificate of EBBMARK_BRIDGE_CLIENT_AUTHORITIES.",
    )
    bridge_certificate: Path | None = Field(
        default=None, description="PEM file with certificate and key of the bridge (MLLP over TLS); unset: no TLS."
    )
    bridge_client_authorities: Path | None = Field(
        default=None,
        description="PEM file with the authorities whose client certificates senders must show; needs the one above.",
    )

    @field_validator("record_writes")
    @classmethod
    def _can_carry(cls, types: tuple[WrittenType, ...]) -> tuple[WrittenType, ...]:
        if "Observation" not in types:
            raise ValueError("Observation is missing: by it answers are found again, and it carries what is not taken")
        return types

    @field_validator("time_zone", "bridge_time_zone")
    @classmethod
    def _is_a_zone(cls, name: str | None) -> str | None:
        if name is None:
            return None
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError):  # a folder of zones, such as Europe, is an OSError
            raise ValueError("no zone of this name is known here; a name as Europe/Vienna is needed") from None
        return name

    @property
    def places(self) -> dict[str, Path | None]:
        """Where every file of the site lies, its language among them."""
        return {name: getattr(self, name) for name in SITE_FILES}

    @property
    def site_files(self) -> dict[str, Path | None]:
        """Where the site's own files lie, by setting."""
        return {name: place for name, place in self.places.items() if name != "messages"}


def places_in_environment() -> dict[str, Path | None]:
    """Where the site's files lie by the environment alone, for a check where another setting cannot be read."""
    given = EnvSettingsSource(Settings).env_vars
    named = {name: given.get(f"{PREFIX}{name}".lower()) for name in SITE_FILES}
    return {name: Path(text) if text else None for name, text in named.items()}


def is_anything_set() -> bool:
    """Whether the environment holds any name that looks like a setting of ours."""
    return any(name.upper().startswith(PREFIX) for name in EnvSettingsSource(Settings).env_vars)


def unknown_names() -> tuple[tuple[str, str | None], ...]:
    """Names in the environment that look like settings of ours and are none, each with the one that it resembles.

    A misspelt setting that is passed over leaves something switched off that the operator believes to be on. A
    cluster may add such names by itself for a workload that is called ebbmark: it can be told not to.
    """
    known = [f"{PREFIX}{name.upper()}" for name in Settings.model_fields]
    present = [name.upper() for name in EnvSettingsSource(Settings).env_vars]
    unknown = sorted(name for name in present if name.startswith(PREFIX) and name not in known)
    return tuple((name, next(iter(get_close_matches(name, known, n=1)), None)) for name in unknown)


_EXPECTED = {
    "extra_forbidden": "there is no such key here.",
    "missing": "this key is needed.",
    "bool_parsing": "true or false is expected.",
    "bool_type": "true or false is expected.",
}
_NUMBERS = {"int": "a whole number", "float": "a number"}


def fault_said(fault: str, message: str, where: tuple[int | str, ...]) -> str:
    """A setting that cannot be used, by its name in the environment, and what is accepted.

    Args:
        where: field, and the path within its value.
    """
    return f"{_setting(where)}: {_said(fault, message, where)}"


def _said(fault: str, message: str, where: tuple[int | str, ...]) -> str:
    """What is accepted, in plain words; of other faults what the library says."""
    kind = _NUMBERS.get(fault.partition("_")[0], "")
    field = Settings.model_fields.get(str(where[0])) if len(where) == 1 else None
    if field is not None and (kind or fault in ("greater_than", "greater_than_equal", "less_than", "less_than_equal")):
        kind = kind or _NUMBERS["int" if "int" in str(field.annotation) else "float"]
        limits = {
            name: getattr(one, name)
            for one in field.metadata
            for name in ("ge", "gt", "le", "lt")
            if hasattr(one, name)
        }
        words = {"ge": "from", "gt": "above", "le": "to", "lt": "below"}
        span = "".join(f" {words[name]} {limit:g}" for name, limit in limits.items())
        return f"{kind}{span} is expected."
    return _EXPECTED.get(fault, message.removeprefix("Value error, "))


def _setting(where: tuple[int | str, ...]) -> str:
    """The setting's name as it stands in the environment; what is within its value, as a path."""
    within = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in where[1:])
    return f"EBBMARK_{str(where[0]).upper()}{within}"


class Misconfigured(ValueError):
    """Settings that cannot be used, or not together; the message names them and holds no secret."""
