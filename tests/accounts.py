"""Plain functions that make accounts, cohorts, and a learner with a row in every table."""

from __future__ import annotations

from datetime import date, datetime
from functools import lru_cache
from uuid import UUID, uuid4

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.identity.one_time_codes import new_secret
from server.identity.tokens import new_token
from server.rendering.eye import RENDERER_VERSION
from server.services import learners, pauses, sessions
from server.services.accounts import account as accounts
from server.services.accounts import school
from server.services.accounts.account import Account, Credentials, NewPassword
from server.services.authoring import drafts
from server.services.authoring.draft import DraftPhotograph, content_of
from server.services.catalogue import load_catalogue
from server.services.cohorts.codes import new_code
from server.services.gallery import remarks
from server.services.learners import Learner, SettingsChange
from server.services.reminders import addresses, feeds, slots
from server.storage import audit, one_time_links, passkeys, provider_identities, second_factors
from server.storage.models import (
    AnswerRow,
    CardPackageRow,
    CheckpointExtraRow,
    CohortLeadRow,
    CohortMemberRow,
    CohortPlaceRow,
    CohortRow,
    ExaminationRow,
    PasskeyRow,
    PhotographRow,
    ProviderIdentityRow,
    SecondFactorRow,
)
from tests import checkpoints, factories
from tests.factories import NOON

PASSWORD = "four unrelated green words"

PLATE = f"pale-disc.temporal.65.7rm50.p45.v{RENDERER_VERSION}"


@lru_cache
def hashed(password: str = PASSWORD) -> NewPassword:
    """Return a hashed password, hashed once per test process."""
    return accounts.checked_password(password, "")


def account(
    session: Session,
    name: str,
    *,
    learner: Learner | None = None,
    administrator: bool = False,
    now: datetime = NOON,
) -> Account:
    """Make an account, of a new guest unless told whose."""
    return accounts.make_account(
        session,
        learner or factories.guest(session),
        Credentials(name, hashed()),
        now,
        administrator=administrator,
    )


def signed_in(session: Session, learner_id: UUID, now: datetime = NOON) -> str:
    """Sign somebody in and return the session's token."""
    return sessions.sign_in(session, learner_id, now, device="Firefox on Android", replaced=None)


def cohort(
    session: Session, *, leads: tuple[UUID, ...] = (), members: tuple[UUID, ...] = ()
) -> CohortRow:
    """Make a cohort."""
    row = CohortRow(
        id=uuid4(),
        name="Third years",
        created_at=NOON,
        archived_at=None,
        join_code=new_code(session),
        rotation_on=None,
        weekly_goal_days=None,
        standards={},
        left_out=[],
        invented=False,
    )
    session.add(row)
    session.flush()
    session.add_all(CohortLeadRow(cohort_id=row.id, learner_id=one, since=NOON) for one in leads)
    session.add_all(
        CohortMemberRow(cohort_id=row.id, learner_id=one, joined_at=NOON, group_name="")
        for one in members
    )
    session.flush()
    return row


def place(
    session: Session, cohort_id: UUID, name: str, learner_id: UUID | None = None, group: str = ""
) -> CohortPlaceRow:
    """Keep a place on a cohort's roster, taken by somebody or not yet."""
    row = CohortPlaceRow(
        id=uuid4(),
        cohort_id=cohort_id,
        name=name,
        name_key=name.casefold(),
        group_name=group,
        code=new_code(session),
        made_at=NOON,
        learner_id=learner_id,
    )
    session.add(row)
    session.flush()
    return row


def passkey(session: Session, learner_id: UUID, name: str = "Chrome on Android") -> PasskeyRow:
    """Store a passkey that no device holds."""
    row = PasskeyRow(
        credential_id=uuid4().hex,
        learner_id=learner_id,
        public_key=b"\x01\x02",
        sign_count=0,
        name=name,
        created_at=NOON,
        used_at=None,
    )
    passkeys.add(session, row)
    return row


def provider_identity(session: Session, learner_id: UUID, subject: str = "") -> str:
    """Link an account with somebody at a provider; return the issuer."""
    row = ProviderIdentityRow(
        issuer="https://id.school.example",
        subject=subject or uuid4().hex,
        learner_id=learner_id,
        linked_at=NOON,
        used_at=NOON,
    )
    assert provider_identities.add(session, row)
    return row.issuer


def second_factor(session: Session, learner_id: UUID) -> None:
    """Give an account an authenticator app that nobody holds, and one recovery code."""
    row = SecondFactorRow(
        learner_id=learner_id, totp_secret=new_secret(), last_step=0, made_at=NOON
    )
    second_factors.replace(session, row)
    second_factors.replace_codes(session, learner_id, [uuid4().hex])


def with_everything(session: Session, name: str) -> Learner:
    """Return a learner with an account and at least one row in every table that can hold one.

    A table added later gets its row here; ``tests/services/test_privacy.py``
    says which one is missing.
    """
    learner = factories.guest(session)
    learners.update_settings(session, learner, SettingsChange(name=f"Dr {name}"))
    factories.practise(session, learner, right=False)
    answered = session.scalars(select(AnswerRow).where(AnswerRow.learner_id == learner.id)).first()
    assert answered is not None
    session.add(
        ExaminationRow(
            answer_id=answered.id,
            learner_id=learner.id,
            ordinal=answered.ordinal,
            path="fp1_0.1.1_900",
            refused="",
            regions=[],
            misses={},
        )
    )
    account(session, name, learner=learner)
    signed_in(session, learner.id)
    passkey(session, learner.id)
    mine = cohort(session, leads=(learner.id,), members=(learner.id,))
    place(session, mine.id, name, learner.id)
    test = checkpoints.composed(session, learner.id, mine.id)
    checkpoints.sit(session, learner, test.id)
    session.add(
        CheckpointExtraRow(
            checkpoint_id=test.id, learner_id=learner.id, eye_percent=25, more_minutes=0
        )
    )
    passkeys.add_challenge(session, uuid4().hex, "make", learner.id, NOON)
    provider_identity(session, learner.id, f"{name}@school.example")
    second_factor(session, learner.id)
    school.begin(session, new_token(), new_token(), "link", learner.id, NOON)
    one_time_links.replace(
        session,
        uuid4().hex,
        purpose="recovery",
        learner_id=learner.id,
        now=NOON,
        expires_at=None,
    )
    audit.add(session, "recovery-link", NOON, actor_id=None, subject_id=learner.id)
    slots.set_slot(session, learner, NOON, minute_of_day=18 * 60, weekdays=(1, 3), alarm=False)
    feeds.make_feed(session, learner, new_token(), NOON)
    addresses.give_address(session, learner, f"{name}@example.org", NOON)
    pauses.add(session, learner, date(2026, 12, 20), date(2027, 1, 3), NOON.date())
    remarks.remark(session, learner, uuid4(), PLATE, f"Too pale, says {name}.", name, NOON)
    card_draft(session, learner.id)
    session.add(
        PhotographRow(
            picture=uuid4().hex * 2,
            original="0" * 64,
            likeness="0" * 256,
            bytes=1,
            size_px=1,
            added_by=learner.id,
            added_at=NOON,
        )
    )
    session.add(
        CardPackageRow(
            digest=uuid4().hex * 2, name="cards.zip", bytes=1, added_by=learner.id, added_at=NOON
        )
    )
    session.flush()
    return learner


def card_draft(session: Session, author_id: UUID) -> UUID:
    """Begin a card with a photograph that no file holds."""
    draft = drafts.make(session, load_catalogue(), author_id, uuid4(), "normal", NOON)
    row = drafts.held(session, draft.id)
    parts = (DraftPhotograph(factories.photograph(), 1),)
    row.content = content_of(draft.words, 1, parts)
    session.flush()
    return draft.id
