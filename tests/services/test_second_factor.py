"""The second factor: set up, given once, counted with wrong passwords, recovered, reset."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from uuid import UUID

import pyotp
import pytest
from sqlalchemy import select

from server.errors import BadInput, Conflict, NotFound
from server.identity.one_time_codes import new_secret
from server.identity.provider_refusals import AttemptLost
from server.services import learners, sessions
from server.services.accounts import second_factor
from server.services.accounts.roles import Role
from server.storage import audit
from server.storage.engine import Database, Session
from server.storage.models import RecoveryCodeRow
from tests import accounts
from tests.factories import NOON

BROWSER = "browser"


def code_at(secret: str, moment: datetime) -> str:
    """Return what the app shows."""
    return pyotp.TOTP(secret).at(moment)


def enrolled(session: Session, name: str = "ada") -> tuple[UUID, str, tuple[str, ...]]:
    """Make an account with an app; return whose it is, the app's secret and recovery codes."""
    learner_id, secret = accounts.account(session, name).learner_id, new_secret()
    made = second_factor.enrol(session, learner_id, secret, code_at(secret, NOON), NOON)
    return learner_id, secret, made


class TestSettingUp:
    def test_it_takes_a_code_of_the_app(self, database: Database) -> None:
        with database.writing() as session:
            ada, secret, made = enrolled(session)
            assert second_factor.of_learner(session, ada) == second_factor.SecondFactor(NOON, 8)
            assert len(made) == 8
            with pytest.raises(Conflict):
                second_factor.enrol(session, ada, secret, code_at(secret, NOON), NOON)

    @pytest.mark.parametrize("code", ["", "000000", "abc"])
    def test_a_code_that_does_not_fit_changes_nothing(self, database: Database, code: str) -> None:
        with database.writing() as session:
            ada = accounts.account(session, "ada").learner_id
            with pytest.raises(BadInput, match="clock"):
                second_factor.enrol(session, ada, new_secret(), code, NOON)
            assert second_factor.of_learner(session, ada) is None

    def test_a_secret_that_is_not_ours_is_refused(self, database: Database) -> None:
        weak = "A" * 24
        with database.writing() as session:
            ada = accounts.account(session, "ada").learner_id
            with pytest.raises(BadInput):
                second_factor.enrol(session, ada, weak, code_at(weak, NOON), NOON)

    def test_recovery_codes_are_not_in_the_database(self, database: Database) -> None:
        with database.writing() as session:
            *_, made = enrolled(session)
            told = str(list(session.execute(select(RecoveryCodeRow.__table__))))
            assert not any(one in told or one.replace("-", "") in told for one in made)


class TestGiving:
    def wait(self, session: Session, learner_id: UUID, now: datetime = NOON) -> None:
        second_factor.wait_for(session, BROWSER, learner_id, now, None)

    def give(self, database: Database, code: str, now: datetime) -> bool:
        try:
            with database.writing() as session:
                second_factor.give(session, BROWSER, code, now)
        except (BadInput, AttemptLost):
            return False
        return True

    def test_the_next_code_lets_them_in_once(self, database: Database) -> None:
        later = NOON + timedelta(minutes=1)
        with database.writing() as session:
            ada, secret, _ = enrolled(session)
            self.wait(session, ada, later)
        assert self.give(database, code_at(secret, later), later)
        # Neither is the browser's wait good again, nor the code in another one.
        assert not self.give(database, code_at(secret, later), later)
        with database.writing() as session:
            self.wait(session, ada, later)
        assert not self.give(database, code_at(secret, later), later)
        assert self.give(
            database, code_at(secret, later + timedelta(seconds=30)), later + timedelta(seconds=30)
        )

    def test_the_code_that_set_it_up_is_spent_and_so_are_those_before(
        self, database: Database
    ) -> None:
        with database.writing() as session:
            ada, secret, _ = enrolled(session)
            self.wait(session, ada)
        assert not self.give(database, code_at(secret, NOON), NOON)
        assert not self.give(database, code_at(secret, NOON - timedelta(seconds=30)), NOON)

    def test_one_code_at_once_in_several_windows_counts_once(self, database: Database) -> None:
        later = NOON + timedelta(minutes=1)
        with database.writing() as session:
            ada, secret, _ = enrolled(session)
            for number in range(6):
                second_factor.wait_for(session, f"browser {number}", ada, later, None)
        code = code_at(secret, later)

        def give(number: int) -> bool:
            try:
                with database.writing() as session:
                    second_factor.give(session, f"browser {number}", code, later)
            except BadInput:
                return False
            return True

        with ThreadPoolExecutor(6) as threads:
            assert list(threads.map(give, range(6))).count(True) == 1

    def test_a_recovery_code_is_good_once(self, database: Database) -> None:
        with database.writing() as session:
            ada, _, made = enrolled(session)
            self.wait(session, ada)
        assert self.give(database, made[3].upper().replace("-", " "), NOON)
        with database.writing() as session:
            self.wait(session, ada)
            left = second_factor.of_learner(session, ada)
            assert left is not None
            assert left.codes_left == 7
        assert not self.give(database, made[3], NOON)
        assert self.give(database, made[4], NOON)

    def test_new_recovery_codes_void_the_older(self, database: Database) -> None:
        with database.writing() as session:
            ada, _, older = enrolled(session)
            newer = second_factor.new_codes(session, ada)
            self.wait(session, ada)
        assert not self.give(database, older[0], NOON)
        assert self.give(database, newer[0], NOON)

    def test_anothers_codes_are_nothing(self, database: Database) -> None:
        later = NOON + timedelta(minutes=1)
        with database.writing() as session:
            ada, _, _ = enrolled(session)
            _, bobs, bobs_codes = enrolled(session, "bob")
            self.wait(session, ada, later)
        assert not self.give(database, code_at(bobs, later), later)
        assert not self.give(database, bobs_codes[0], later)

    def test_nobody_waits_elsewhere_or_for_long(self, database: Database) -> None:
        with database.writing() as session:
            ada, _, made = enrolled(session)
            self.wait(session, ada)
            with pytest.raises(AttemptLost):
                second_factor.give(session, "another browser", made[0], NOON)
            with pytest.raises(AttemptLost):
                second_factor.give(session, BROWSER, made[0], NOON + timedelta(minutes=11))


class TestLosingIt:
    def test_turning_it_off_takes_the_codes_with_it(self, database: Database) -> None:
        with database.writing() as session:
            ada, *_ = enrolled(session)
            second_factor.turn_off(session, ada)
            assert second_factor.of_learner(session, ada) is None
            assert list(session.scalars(select(RecoveryCodeRow.code_hash))) == []
            with pytest.raises(NotFound):
                second_factor.turn_off(session, ada)
            with pytest.raises(NotFound):
                second_factor.new_codes(session, ada)

    def test_an_administrator_resets_it_and_the_trail_keeps_that(self, database: Database) -> None:
        with database.writing() as session:
            head = accounts.account(session, "head", administrator=True).learner_id
            ada, *_ = enrolled(session)
            stolen = accounts.signed_in(session, ada)
            second_factor.reset(session, head, ada, NOON)
            assert second_factor.of_learner(session, ada) is None
            assert learners.resolve_session(session, stolen, NOON) is None
            (act,) = audit.latest(session, 5)
            assert (act.act, act.actor, act.subject) == ("second-factor-reset", "head", "ada")
            with pytest.raises(NotFound):
                second_factor.reset(session, head, ada, NOON)


class TestWhoMust:
    @pytest.mark.parametrize(
        ("policy", "must"),
        [
            ("off", set()),
            ("leads", {Role.LEAD, Role.ADMINISTRATOR}),
            ("all", {Role.LEARNER, Role.LEAD, Role.ADMINISTRATOR}),
        ],
    )
    def test_by_the_setting(
        self, database: Database, policy: second_factor.Policy, must: set[Role]
    ) -> None:
        with database.writing() as session:
            ada = accounts.account(session, "ada").learner_id
            accounts.cohort(session, leads=(ada,))
            wanted = {role for role in Role if second_factor.wants(session, policy, role, ada)}
        assert wanted == must

    def test_who_leads_the_invented_school_alone_need_not(self, database: Database) -> None:
        with database.writing() as session:
            ada = accounts.account(session, "ada").learner_id
            accounts.cohort(session, leads=(ada,)).invented = True
            session.flush()
            assert not second_factor.wants(session, "leads", Role.LEAD, ada)
            assert second_factor.wants(session, "leads", Role.ADMINISTRATOR, ada)
            accounts.cohort(session, leads=(ada,))
            assert second_factor.wants(session, "leads", Role.LEAD, ada)

    def test_what_a_session_was_opened_by_stays_with_it(self, database: Database) -> None:
        with database.writing() as session:
            ada = accounts.account(session, "ada").learner_id
            token = accounts.signed_in(session, ada)
            assert not sessions.is_by_two(session, token)
            token = sessions.renew(session, token, NOON, by_two=True)
            assert sessions.is_by_two(session, token)
            token = sessions.renew(session, token, NOON)
            assert sessions.is_by_two(session, token)
            # A guest who has the browser back has none of it.
            guest, before = learners.new_guest(session, "UTC", NOON)
            token = sessions.sign_in(session, ada, NOON, device=None, replaced=before, by_two=True)
            sessions.end_all(session, ada)
            found = learners.resolve_session(session, token, NOON)
            assert found is not None
            assert found.id == guest.id
            assert not sessions.is_by_two(session, token)
