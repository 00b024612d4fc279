"""Everything that a site may set, read once at the rim from the environment (prefix EBBMARK_)."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field, SecretStr
from pydantic_settings import BaseSettings, SettingsConfigDict

__all__ = ["Settings"]


class Settings(BaseSettings):
    """Configuration; frozen once read. Each field is `EBBMARK_` plus its name in capitals."""

    model_config = SettingsConfigDict(env_prefix="EBBMARK_", frozen=True, extra="ignore")

    host: str = Field(default="127.0.0.1", description="Address to listen on.")
    port: int = Field(default=8087, ge=0, le=65535, description="Port to listen on; 0 takes a free one and prints it.")
    base_url: str | None = Field(
        default=None, description="Address at which callers see the service; unset: host and port."
    )
    max_body_bytes: int = Field(default=2_000_000, gt=0, description="Largest request body.")
    max_entries: int = Field(default=5_000, gt=0, description="Most resources in one request.")
    accept_preliminary: bool = Field(
        default=False, description="Whether Observations of status preliminary count where the request does not say."
    )
    code_map: Path | None = Field(default=None, description="File with the site's ConceptMap from local codes.")
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
    record_max_reply_bytes: int = Field(default=5_000_000, gt=0, description="Largest reply read from the record.")
