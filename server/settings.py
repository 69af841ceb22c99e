"""Every setting of the program, typed, with one help line each.

A setting is read from the environment under the prefix ``FUNDUS_`` (for
example ``FUNDUS_PORT=8080``); the README lists them all and a test compares.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal, Self
from urllib.parse import urlsplit

from pydantic import Field, ValidationInfo, field_validator, model_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

CHECKOUT = Path(__file__).resolve().parent.parent
"""The folder that holds ``server/``, ``templates/``, ``seed_data/`` and the rest."""


class Settings(BaseSettings):
    """The settings of one running program; frozen, so nothing changes them later."""

    model_config = SettingsConfigDict(env_prefix="FUNDUS_", frozen=True, extra="forbid")

    data_dir: Path = Field(
        default=CHECKOUT / ".data",
        description="Folder of the database file, its back-ups and the rendered pictures.",
    )
    database_url: str = Field(
        default="",
        description="SQLAlchemy address of the database; empty: an SQLite file in the data folder.",
    )
    host: str = Field(
        default="127.0.0.1", description="Address to listen on; 0.0.0.0 for every network."
    )
    port: int = Field(default=8000, ge=1, le=65535, description="TCP port to listen on.")
    render_workers: int = Field(
        default=1,
        ge=0,
        le=64,
        description="Processes that draw eyes; 0 draws none (another process does).",
    )
    picture_px: int = Field(
        default=1024, ge=256, le=2048, description="Width and height of a rendered picture."
    )
    stock_per_card: int = Field(
        default=3,
        ge=1,
        le=100,
        description="Unseen eyes kept ready per card for the most advanced learner of that card.",
    )
    picture_disk_mb: int = Field(
        default=4096,
        ge=64,
        description="Disk space for pictures; beyond it only eyes needed at once are drawn.",
    )
    secure_cookies: bool = Field(
        default=False,
        description="Send the session cookie as __Host- over TLS only; set it behind https.",
    )
    session_days: int = Field(
        default=400, ge=1, le=400, description="Days without a visit after which a session ends."
    )
    sign_in_days: int = Field(
        default=90,
        ge=1,
        le=400,
        description="Days after which an account must sign in again, used or not.",
    )
    guest_days: int = Field(
        default=400,
        ge=30,
        le=3650,
        description="Days without a visit after which a guest and their practice are deleted.",
    )
    account_days: int = Field(
        default=0,
        ge=0,
        le=3650,
        description="Days without a visit after which a learner's account and practice are "
        "deleted, 180 at least; 0 keeps them.",
    )
    audit_days: int = Field(
        default=0,
        ge=0,
        le=3650,
        description="Days for which the audit trail keeps an act, 90 at least; 0 keeps all.",
    )
    database_wait_seconds: float = Field(
        default=10.0,
        gt=0,
        le=120,
        description="How long a request waits for a busy database before it gives a clear error.",
    )
    public_url: str = Field(
        default="",
        description="Address at which learners reach the program, such as "
        "`https://rounds.example.org`; links in mail and calendar use it.",
    )
    smtp_host: str = Field(
        default="", description="Mail server that takes reminders; empty: no mail is ever sent."
    )
    smtp_port: int = Field(default=587, ge=1, le=65535, description="TCP port of the mail server.")
    smtp_security: Literal["starttls", "tls", "none"] = Field(
        default="starttls",
        description="Encryption to the mail server: `starttls`, `tls` from the first byte "
        "(port 465), or `none`.",
    )
    smtp_user: str = Field(
        default="", description="Name to sign in with at the mail server; empty: do not sign in."
    )
    smtp_password: str = Field(
        default="", repr=False, description="Password to sign in with at the mail server."
    )
    smtp_sender: str = Field(
        default="", description="Address that reminders come from, such as `rounds@example.org`."
    )
    smtp_timeout_seconds: float = Field(
        default=20.0, gt=0, le=60, description="How long to wait for each reply of the mail server."
    )
    oidc_issuer: str = Field(
        default="",
        description="Issuer of the school's OpenID Connect provider, exactly as its discovery "
        "document says it; empty: no sign-in there.",
    )
    oidc_client_id: str = Field(default="", description="This site's client id at that provider.")
    oidc_client_secret: str = Field(
        default="",
        repr=False,
        description="This site's client secret there; empty for a public client, which PKCE "
        "protects alone.",
    )
    oidc_name: str = Field(
        default="",
        max_length=60,
        description="What learners call the provider, such as `Wendale School`; empty: `your "
        "school`.",
    )
    second_factor: Literal["off", "leads", "all"] = Field(
        default="leads",
        description="Who must show two factors (a passkey, or an authenticator app as well): `off` "
        "nobody, `leads` leads and administrators before their pages, `all` every account.",
    )
    log_format: Literal["text", "json"] = Field(
        default="text", description="Log lines for people (text) or for a log collector (json)."
    )
    log_level: Literal["debug", "info", "warning", "error"] = Field(
        default="info", description="The least serious message that is logged."
    )

    @field_validator("account_days", "audit_days")
    @classmethod
    def _no_slip_deletes(cls, days: int, info: ValidationInfo) -> int:
        fewest = {"account_days": 180, "audit_days": 90}[info.field_name or ""]
        if days and days < fewest:
            raise ValueError(f"set {fewest} days at least, or 0 to keep everything")
        return days

    @field_validator("public_url")
    @classmethod
    def _plain_address(cls, address: str) -> str:
        if not address:
            return ""
        parts = urlsplit(address)
        if parts.scheme not in ("https", "http") or not parts.hostname or parts.path.strip("/"):
            raise ValueError("give scheme and host alone, such as https://rounds.example.org")
        return f"{parts.scheme}://{parts.netloc}"

    @model_validator(mode="after")
    def _mail_is_whole(self) -> Self:
        if not self.smtp_host:
            return self
        if not self.public_url or "@" not in self.smtp_sender:
            raise ValueError("with FUNDUS_SMTP_HOST set FUNDUS_PUBLIC_URL and FUNDUS_SMTP_SENDER")
        if self.public_url.startswith("http:") and not _is_here(urlsplit(self.public_url).hostname):
            # RFC 8058, section 3.1: the address of the one-click stop is an https one.
            raise ValueError("mail needs an FUNDUS_PUBLIC_URL that begins with https")
        if self.smtp_user and self.smtp_security == "none" and not _is_here(self.smtp_host):
            raise ValueError("FUNDUS_SMTP_SECURITY none would send the password for all to read")
        return self

    @model_validator(mode="after")
    def _provider_is_whole(self) -> Self:
        if not self.oidc_issuer:
            return self
        if not self.oidc_client_id or not self.public_url:
            raise ValueError(
                "with FUNDUS_OIDC_ISSUER set FUNDUS_OIDC_CLIENT_ID and FUNDUS_PUBLIC_URL"
            )
        parts = urlsplit(self.oidc_issuer)
        # OpenID Connect Core 1.0, section 2: an https address without query or fragment.
        if parts.scheme != "https" and not (parts.scheme == "http" and _is_here(parts.hostname)):
            raise ValueError("FUNDUS_OIDC_ISSUER begins with https")
        if not parts.hostname or parts.query or parts.fragment or len(self.oidc_issuer) > 255:
            raise ValueError("FUNDUS_OIDC_ISSUER is an address without ? and #")
        return self

    @property
    def sends_mail(self) -> bool:
        """Whether there is a mail server to hand reminders to."""
        return bool(self.smtp_host)

    @property
    def resolved_database_url(self) -> str:
        """The database address in use, with the default filled in."""
        if self.database_url:
            # Hosting services hand out the bare scheme; the driver in use is psycopg.
            for bare in ("postgres://", "postgresql://"):
                if self.database_url.startswith(bare):
                    return "postgresql+psycopg://" + self.database_url.removeprefix(bare)
            return self.database_url
        return f"sqlite:///{self.data_dir / 'fundus-rounds.db'}"

    @property
    def pictures_dir(self) -> Path:
        """The folder of the rendered pictures, named by content hash."""
        return self.data_dir / "pictures"


def _is_here(host: str | None) -> bool:
    """Whether a host is this machine, where nobody listens on the way."""
    return host in ("localhost", "127.0.0.1", "::1")
