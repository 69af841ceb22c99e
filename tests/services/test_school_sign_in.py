"""Who comes back from the school's provider: known, new, linked; and never without a way in."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from uuid import UUID

import pytest
from sqlalchemy import func, select

from server.errors import BadInput, Conflict, NotFound
from server.identity.openid import Vouched
from server.identity.provider_refusals import AttemptLost
from server.services import housekeeping, learners, sessions
from server.services.accounts import account as accounts_rules
from server.services.accounts import passkeys, school
from server.services.accounts.roles import Role, role_of
from server.services.accounts.ways_in import WaysIn, ways_in
from server.storage.engine import Database, Session
from server.storage.models import AccountRow, PendingSignInRow, ProviderIdentityRow
from tests import accounts, databases, factories
from tests.factories import NOON

ISSUER = "https://id.school.example"
ADA = Vouched(ISSUER, "6f1c2a", NOON - timedelta(minutes=3), by_two=False)


def arrived(session: Session, vouched: Vouched = ADA, browser: str = "browser") -> school.Arrival:
    school.arrive(session, browser, vouched, NOON)
    return school.arrival_in(session, browser, vouched.issuer, NOON)


def made(
    session: Session, name: str = "Ada", vouched: Vouched = ADA, browser: str = "browser"
) -> UUID:
    """Make the account of somebody who has just been vouched for."""
    learner, token = learners.new_guest(session, "UTC", NOON)
    arrival = arrived(session, vouched, browser)
    school.make_account(session, browser, arrival, learner, token, name, NOON)
    return learner.id


class TestAttempts:
    def begun(self, database: Database, purpose: school.Purpose = "sign-in") -> None:
        with database.writing() as session:
            school.begin(session, "browser", "state", purpose, None, NOON, then="/plan")

    def test_it_is_taken_up_once(self, database: Database) -> None:
        self.begun(database)
        with database.writing() as session:
            attempt = school.attempt_of(session, "browser", "state", NOON)
            assert (attempt.purpose, attempt.then, attempt.begun_at) == ("sign-in", "/plan", NOON)
        with database.writing() as session, pytest.raises(AttemptLost):
            school.attempt_of(session, "browser", "state", NOON)

    @pytest.mark.parametrize(
        ("browser", "state", "minutes"),
        [
            ("another", "state", 0),
            ("browser", "another", 0),
            ("browser", "state", 10.1),
            ("", "", 0),
        ],
    )
    def test_it_is_nothing_elsewhere_or_later(
        self, database: Database, browser: str, state: str, minutes: float
    ) -> None:
        self.begun(database)
        with database.writing() as session, pytest.raises(AttemptLost):
            school.attempt_of(session, browser, state, NOON + timedelta(minutes=minutes))

    def test_two_tabs_of_one_browser_do_not_spoil_each_other(self, database: Database) -> None:
        with database.writing() as session:
            school.begin(session, "browser", "first", "sign-in", None, NOON)
            school.begin(session, "browser", "second", "sign-in", None, NOON)
            assert school.attempt_of(session, "browser", "first", NOON)
            assert school.attempt_of(session, "browser", "second", NOON)

    def test_the_faster_of_two_answers_counts(self, database: Database) -> None:
        self.begun(database)

        def take(_: int) -> bool:
            try:
                with database.writing() as session:
                    school.attempt_of(session, "browser", "state", NOON)
            except AttemptLost:
                return False
            return True

        with ThreadPoolExecutor(4) as threads:
            assert list(threads.map(take, range(6))).count(True) == 1

    def test_the_table_tells_no_secret_and_is_tidied(
        self, database: Database, tmp_path: Path
    ) -> None:
        with database.writing() as session:
            school.begin(session, "browser-secret", "state-secret", "sign-in", None, NOON)
            told = str(list(session.execute(select(PendingSignInRow.__table__))))
            assert "secret" not in told
        settings = databases.sqlite_settings(tmp_path)
        housekeeping.tidy(database, settings, NOON + timedelta(hours=1))
        with database.reading() as session:
            assert session.scalar(select(func.count()).select_from(PendingSignInRow)) == 0

    def test_who_arrived_cannot_pass_for_an_attempt(self, database: Database) -> None:
        with database.writing() as session:
            school.arrive(session, "browser", ADA, NOON)
        with database.writing() as session, pytest.raises(AttemptLost):
            school.attempt_of(session, "browser", school.ARRIVED, NOON)


class TestTheFirstTime:
    def test_a_guests_practice_is_the_accounts(self, database: Database) -> None:
        with database.writing() as session:
            factories.seeded(session)
            factories.stock_up(session, each=2)
            guest, token = learners.new_guest(session, "Europe/London", NOON)
            given = factories.practise(session, guest)
            fresh = school.make_account(
                session, "browser", arrived(session), guest, token, " Ada  Lovelace ", NOON
            )
            assert learners.resolve_session(session, token, NOON) is None
            learner = learners.resolve_session(session, fresh, NOON)
            assert learner is not None
            assert (learner.id, learner.name) == (guest.id, "Ada Lovelace")
            assert sessions.practised(session, guest.id) == len(given)
            assert role_of(session, guest.id) is Role.LEARNER
            assert ways_in(session, guest.id, ISSUER) == WaysIn(False, 0, True)
            assert school.whose(session, ADA, NOON) == guest.id

    def test_nothing_but_the_subject_is_kept_of_them(self, database: Database) -> None:
        with database.writing() as session:
            made(session)
            (row,) = session.execute(select(ProviderIdentityRow.__table__)).mappings()
            assert set(row) == {"issuer", "subject", "learner_id", "linked_at", "used_at"}
            assert (row["issuer"], row["subject"]) == (ISSUER, "6f1c2a")

    @pytest.mark.parametrize(
        ("name", "signs_in_as"),
        [
            ("Ada", "Ada"),
            ("Ada Lovelace", "Ada.Lovelace"),
            ("  Zoë  ", "Zoë"),
            ("李", "learner-李"),
            ("Al", "learner-Al"),
            ("!?", "learner"),
            ("ada@example.org", "ada"),
            ("x" * 60, "x" * 34),
        ],
    )
    def test_a_sign_in_name_comes_of_the_name(
        self, database: Database, name: str, signs_in_as: str
    ) -> None:
        with database.writing() as session:
            learner_id = made(session, name)
            account = accounts_rules.account_of(session, learner_id)
            assert account is not None
            assert account.sign_in_name == signs_in_as
            assert account.password_set_at is None

    def test_a_taken_one_is_numbered(self, database: Database) -> None:
        with database.writing() as session:
            names = []
            for number in range(14):
                vouched = Vouched(ISSUER, f"subject {number}", None, by_two=False)
                account = accounts_rules.account_of(
                    session, made(session, "Ada", vouched, f"browser {number}")
                )
                assert account is not None
                names.append(account.sign_in_name)
            assert names[:3] == ["Ada", "Ada-2", "Ada-3"]
            assert len(set(names)) == 14

    @pytest.mark.parametrize("name", ["", "  ", "x" * 61, "a\x07b"])
    def test_a_name_that_cannot_be_is_refused(self, database: Database, name: str) -> None:
        with pytest.raises(BadInput), database.writing() as session:
            made(session, name)

    def test_nobody_waits_in_another_browser_or_for_long(self, database: Database) -> None:
        with database.writing() as session:
            school.arrive(session, "browser", ADA, NOON)
            for browser, minutes in (("another", 0), ("browser", 31), ("", 0)):
                with pytest.raises(AttemptLost):
                    school.arrival_in(session, browser, ISSUER, NOON + timedelta(minutes=minutes))

    def test_a_form_sent_twice_meets_the_account_that_it_made(self, database: Database) -> None:
        with database.writing() as session:
            learner_id = made(session)
            again = school.arrival_in(session, "browser", ISSUER, NOON)
            assert again.learner_id == learner_id

    def test_in_two_browsers_at_once_one_account_is_made(self, database: Database) -> None:
        def make(number: int) -> bool:
            try:
                with database.writing() as session:
                    made(session, f"Ada {number}", ADA, f"browser {number}")
            except Conflict:
                return False
            return True

        with ThreadPoolExecutor(4) as threads:
            assert list(threads.map(make, range(4))).count(True) == 1
        with database.reading() as session:
            assert session.scalar(select(func.count()).select_from(AccountRow)) == 1

    def test_no_password_fits_such_an_account(self, database: Database) -> None:
        with database.writing() as session:
            made(session)
            claimed = accounts_rules.claim(session, "ada")
        assert claimed is not None
        for password in ("", accounts.PASSWORD, "None"):
            assert not accounts_rules.fits(claimed, password)
        assert accounts_rules.rehashed_if_old(claimed, "") is None


class TestLinking:
    def test_an_account_is_linked_and_unlinked(self, database: Database) -> None:
        with database.writing() as session:
            ada = accounts.account(session, "ada").learner_id
            assert school.linked_at(session, ada, ISSUER) is None
            school.link(session, ada, ADA, NOON)
            school.link(session, ada, ADA, NOON + timedelta(days=1))
            assert school.linked_at(session, ada, ISSUER) == NOON
            assert school.whose(session, ADA, NOON) == ada
            school.unlink(session, ada, ISSUER)
            assert school.whose(session, ADA, NOON) is None
            with pytest.raises(Conflict):
                school.unlink(session, ada, ISSUER)

    def test_one_opens_one(self, database: Database) -> None:
        other = Vouched(ISSUER, "somebody else", None, by_two=False)
        with database.writing() as session:
            ada = accounts.account(session, "ada").learner_id
            bob = accounts.account(session, "bob").learner_id
            school.link(session, ada, ADA, NOON)
            with pytest.raises(Conflict, match="another account"):
                school.link(session, bob, ADA, NOON)
            with pytest.raises(Conflict, match="reload"):
                school.link(session, ada, other, NOON)
            assert school.whose(session, other, NOON) is None

    def test_the_same_subject_elsewhere_is_somebody_else(self, database: Database) -> None:
        elsewhere = Vouched("https://elsewhere.example", ADA.subject, None, by_two=False)
        with database.writing() as session:
            ada = accounts.account(session, "ada").learner_id
            school.link(session, ada, ADA, NOON)
            assert school.whose(session, elsewhere, NOON) is None

    def test_a_deleted_account_is_opened_by_nobody(self, database: Database) -> None:
        from server.services import privacy

        with database.writing() as session:
            learner_id = made(session)
            privacy.delete(session, learner_id)
            assert school.whose(session, ADA, NOON) is None
            assert made(session, browser="later") != learner_id


class TestTheLastWayIn:
    def test_the_school_cannot_be_unlinked_while_nothing_else_opens_it(
        self, database: Database
    ) -> None:
        with database.writing() as session:
            ada = made(session)
            with pytest.raises(Conflict, match="only way"):
                school.unlink(session, ada, ISSUER)
            passkey = accounts.passkey(session, ada)
            school.unlink(session, ada, ISSUER)
            with pytest.raises(Conflict, match="only way"):
                passkeys.remove_passkey(session, ada, passkey.credential_id, ISSUER)

    def test_two_windows_cannot_take_both_away(self, database: Database) -> None:
        with database.writing() as session:
            ada = made(session)
            passkey = accounts.passkey(session, ada).credential_id

        def take(what: str) -> bool:
            try:
                with database.writing() as session:
                    if what == "school":
                        school.unlink(session, ada, ISSUER)
                    else:
                        passkeys.remove_passkey(session, ada, passkey, ISSUER)
            except Conflict:
                return False
            return True

        with ThreadPoolExecutor(2) as threads:
            assert list(threads.map(take, ("school", "passkey"))).count(True) == 1
        with database.reading() as session:
            left = ways_in(session, ada, ISSUER)
        assert left.passkeys + left.provider == 1

    def test_a_password_is_one(self, database: Database) -> None:
        with database.writing() as session:
            ada = made(session)
            accounts_rules.set_password(session, ada, accounts.hashed(), None, NOON)
            assert ways_in(session, ada, ISSUER) == WaysIn(True, 0, True)
            school.unlink(session, ada, ISSUER)
            assert accounts_rules.fits(accounts_rules.claim(session, "ada"), accounts.PASSWORD)

    def test_a_provider_that_is_asked_no_longer_is_none(self, database: Database) -> None:
        with database.writing() as session:
            ada = made(session)
            passkey = accounts.passkey(session, ada)
            assert ways_in(session, ada, "") == WaysIn(False, 1, False)
            with pytest.raises(Conflict):
                passkeys.remove_passkey(session, ada, passkey.credential_id, "")
            passkeys.remove_passkey(session, ada, passkey.credential_id, ISSUER)
            with pytest.raises(NotFound):
                passkeys.remove_passkey(session, ada, passkey.credential_id, ISSUER)


class TestConfirming:
    def test_a_sign_in_of_this_morning_opens_practice_but_asks_before_changes(
        self, database: Database
    ) -> None:
        """A provider may let somebody through who signed in hours ago at another desk."""
        with database.writing() as session:
            ada = accounts.account(session, "ada").learner_id
            for shown_at, confirmed in (
                (NOON - timedelta(minutes=14), True),
                (NOON - timedelta(hours=3), False),
                (None, False),
            ):
                token = sessions.sign_in(
                    session,
                    ada,
                    NOON,
                    device=None,
                    replaced=None,
                    shown_at=school.shown_before(shown_at, NOON),
                )
                assert sessions.is_confirmed(session, token, NOON) is confirmed
                assert learners.resolve_session(session, token, NOON) is not None

    def test_it_is_an_accounts_session_that_ends_after_ninety_days(
        self, database: Database
    ) -> None:
        with database.writing() as session:
            ada = made(session)
            token = sessions.sign_in(
                session,
                ada,
                NOON,
                device=None,
                replaced=None,
                shown_at=school.shown_before(None, NOON),
            )
            in_time, late = NOON + timedelta(days=89), NOON + timedelta(days=91)
            assert learners.resolve_session(session, token, in_time) is not None
            assert learners.resolve_session(session, token, late) is None
