"""An account: how a learner is known when they sign in, and what they sign in with."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import BigInteger, ForeignKey, LargeBinary, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base


class AccountRow(Base):
    """A learner's account; a learner without one is a guest."""

    __tablename__ = "account"

    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True
    )
    sign_in_name: Mapped[str] = mapped_column(String(40))
    """As the learner wrote it."""
    sign_in_key: Mapped[str] = mapped_column(String(120), unique=True)
    """The name folded, so that two accounts never differ by case or width alone."""
    password_hash: Mapped[str | None] = mapped_column(String(200))
    """None: there is no password; the account is opened by passkey or at the school's provider."""
    password_set_at: Mapped[datetime | None]
    administrator: Mapped[bool]
    lead: Mapped[bool]
    """Appointed by an administrator to make cohorts, with or without one so far."""
    created_at: Mapped[datetime]


class PasskeyRow(Base):
    """A public key that a learner's device made for this site (W3C Web Authentication)."""

    __tablename__ = "passkey"

    credential_id: Mapped[str] = mapped_column(String(1400), primary_key=True)
    """In base64url, as the browser sends it (at most 1023 bytes)."""
    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), index=True
    )
    public_key: Mapped[bytes] = mapped_column(LargeBinary)
    sign_count: Mapped[int] = mapped_column(BigInteger)
    name: Mapped[str] = mapped_column(String(60))
    created_at: Mapped[datetime]
    used_at: Mapped[datetime | None]


class PasskeyChallengeRow(Base):
    """A challenge given to a browser: answered once, within minutes, or never."""

    __tablename__ = "passkey_challenge"

    challenge_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    purpose: Mapped[str] = mapped_column(String(16))
    learner_id: Mapped[UUID | None] = mapped_column(ForeignKey("learner.id", ondelete="CASCADE"))
    """Whose it is; nobody's yet for a sign-in."""
    created_at: Mapped[datetime]


class ProviderIdentityRow(Base):
    """Whom the school's provider means by a name of its own (OpenID Connect: the subject)."""

    __tablename__ = "provider_identity"
    __table_args__ = (UniqueConstraint("learner_id", "issuer"),)

    issuer: Mapped[str] = mapped_column(String(255), primary_key=True)
    subject: Mapped[str] = mapped_column(String(255), primary_key=True)
    learner_id: Mapped[UUID] = mapped_column(ForeignKey("learner.id", ondelete="CASCADE"))
    linked_at: Mapped[datetime]
    used_at: Mapped[datetime]


class SecondFactorRow(Base):
    """The secret that an account shares with its owner's authenticator app (RFC 6238)."""

    __tablename__ = "second_factor"

    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), primary_key=True
    )
    totp_secret: Mapped[str] = mapped_column(String(64))
    last_step: Mapped[int] = mapped_column(BigInteger)
    """The 30-second step of the latest code taken: no code of it or before is taken again."""
    made_at: Mapped[datetime]


class RecoveryCodeRow(Base):
    """A code that stands for the authenticator app once."""

    __tablename__ = "recovery_code"

    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("second_factor.learner_id", ondelete="CASCADE"), primary_key=True
    )
    code_hash: Mapped[str] = mapped_column(String(64), primary_key=True)


class PendingSignInRow(Base):
    """A sign-in half done: it waits for the provider, for a name, or for a second factor."""

    __tablename__ = "pending_sign_in"

    key_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    """SHA-256 of the attempt's state and of what the browser holds, together."""
    purpose: Mapped[str] = mapped_column(String(16))
    learner_id: Mapped[UUID | None] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), index=True
    )
    """Whose account it is about; nobody's yet for a sign-in at the provider."""
    subject: Mapped[str | None] = mapped_column(String(255))
    """Whom the provider has vouched for, until they have an account."""
    shown_at: Mapped[datetime | None]
    """When they showed the provider who they are, where it says so."""
    then: Mapped[str] = mapped_column(String(200))
    """The page of ours that comes afterwards."""
    created_at: Mapped[datetime] = mapped_column(index=True)


class OneTimeLinkRow(Base):
    """A link that opens one door once: known by the SHA-256 of its token only."""

    __tablename__ = "one_time_link"

    token_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    purpose: Mapped[str] = mapped_column(String(16))
    learner_id: Mapped[UUID | None] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), index=True
    )
    """Whose account it opens; nobody's for the administrator's link."""
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime | None]
    """None: valid until used."""


class SignInAttemptRow(Base):
    """An attempt that has not succeeded, counted for a while and then deleted."""

    __tablename__ = "sign_in_attempt"

    id: Mapped[UUID] = mapped_column(primary_key=True)
    made_at: Mapped[datetime] = mapped_column(index=True)
    name_hash: Mapped[str] = mapped_column(String(64), index=True)
    """SHA-256 of the folded sign-in name, whether or not there is such an account."""
    address_hash: Mapped[str] = mapped_column(String(64), index=True)
    """SHA-256 of the network address (of its /64 for IPv6)."""
