"""A learner's open session in one browser."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from server.storage.models.base import Base


class WebSessionRow(Base):
    """A session, known only by the SHA-256 of its token: a stolen table opens nothing."""

    __tablename__ = "web_session"

    token_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    learner_id: Mapped[UUID] = mapped_column(
        ForeignKey("learner.id", ondelete="CASCADE"), index=True
    )
    created_at: Mapped[datetime]
    used_at: Mapped[datetime]
    device: Mapped[str | None] = mapped_column(String(60))
    """Browser and system in two words, so that their owner can tell sessions apart."""
    confirmed_at: Mapped[datetime | None]
    """When password or passkey was last given here; None for a guest's session."""
    by_two: Mapped[bool]
    """It was opened by two factors: a passkey, or a code of an authenticator app as well."""
    guest_id: Mapped[UUID | None] = mapped_column(
        ForeignKey("learner.id", ondelete="SET NULL"), index=True
    )
    """The guest who practised in this browser before: the session is theirs again afterwards."""
