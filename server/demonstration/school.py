"""Filling the invented school in, whole or not at all, and taking it out again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from random import Random

from server.demonstration.checkpoint import hold
from server.demonstration.eyes import DescribedEyes, deck_of
from server.demonstration.history import DAYS_A_WEEK, History, Practice
from server.demonstration.people import (
    COHORTS,
    LEAD_ID,
    LEAD_NAME,
    LEAD_SIGN_IN,
    MOST_LEARNERS,
    Person,
    cohort_id,
    learner_ids,
    people,
)
from server.errors import BadInput, Conflict, NotFound
from server.identity.passwords import hash_password
from server.identity.tokens import new_token
from server.services import privacy
from server.services.accounts.account import Credentials, NewPassword, make_account
from server.services.accounts.links import invented_lead_link
from server.services.cohorts.codes import new_code
from server.services.learners import as_learner
from server.storage import audit, cards, invented
from server.storage.engine import Database, Session
from server.storage.models import (
    AnswerRow,
    CardRow,
    CardStateRow,
    CardVersionRow,
    CohortLeadRow,
    CohortMemberRow,
    CohortRow,
    ConfusionTallyRow,
    FindingTallyRow,
    LearnerRow,
    LookRow,
    PracticeDayRow,
    RoundRow,
    ThresholdRow,
)
from server.storage.tallies import COLUMNS, DAY_COLUMNS

MOST_WEEKS = 26
SEED = 20_260_105
"""The same school every time, but for its days."""

THERE = (
    "The invented school is there already; nothing was changed. "
    "'python3 -m server demo --remove' takes it out."
)


@dataclass(frozen=True)
class School:
    """What was filled in.

    Parameters
    ----------
    token : of the link that opens the lead's account, once.
    """

    cohorts: int
    learners: int
    answers: int
    token: str


def fill(
    database: Database,
    now: datetime,
    *,
    learners: int,
    weeks: int,
    step: Callable[[], None] = lambda: None,
) -> School:
    """Invent a school and store all of it in one transaction.

    Its weeks end yesterday. The histories are made before anything is written,
    so that real learners wait only as long as the writing takes.

    Parameters
    ----------
    step : called after each learner.

    Raises
    ------
    Conflict : the school is there already, or its lead's sign-in name is somebody's.
    BadInput : more learners or weeks than it can have, or there are no cards.
    """
    if not 1 <= learners <= MOST_LEARNERS:
        raise BadInput(f"The school has 1 to {MOST_LEARNERS} learners, not {learners}.")
    if not 1 <= weeks <= MOST_WEEKS:
        raise BadInput(f"The histories are 1 to {MOST_WEEKS} weeks long, not {weeks}.")
    with database.reading() as session:
        _refuse_a_second(session)
        dealt, versions = _cards(session)
    rng = Random(SEED)
    today = now.date()
    eyes = DescribedEyes(deck_of(dealt, versions), now, rng)
    invited = people(learners, today, rng)
    histories = []
    for number, person in enumerate(invited):
        practice = Practice(
            person,
            eyes.deck,
            eyes,
            today - timedelta(days=DAYS_A_WEEK * weeks),
            weeks,
            SEED + number,
        )
        histories.append(practice.practise())
        step()
    # Slow on purpose, like every password's: not while others wait for the database.
    unguessed = NewPassword(hash_password(new_token()))
    with database.writing() as session:
        _refuse_a_second(session)
        session.add_all(eyes.all())
        session.flush()
        for history in histories:
            _write(session, history)
        token = _lead(session, unguessed, now)
        _cohorts(session, invited, histories, now)
        hold(session, eyes, invited, now, rng)
        audit.add(session, "demo-made", now, actor_id=None, subject_id=None, by_command=True)
    return School(
        cohorts=len(COHORTS),
        learners=len(histories),
        answers=sum(history.learner.answers for history in histories),
        token=token,
    )


def remove(database: Database, now: datetime) -> int:
    """Take the school out, its lead's account with it; return how many learners it had.

    Real people who joined one of its cohorts lose that cohort and nothing else.

    Raises
    ------
    NotFound : there is no invented school.
    """
    with database.writing() as session:
        if not invented.is_there(session, [LEAD_ID, *learner_ids()]):
            raise NotFound("There is no invented school here; nothing was changed.")
        if session.get(LearnerRow, LEAD_ID) is not None:
            privacy.delete(session, LEAD_ID)
        found = invented.remove(session, learner_ids())
        audit.add(session, "demo-removed", now, actor_id=None, subject_id=None, by_command=True)
    return found


def _refuse_a_second(session: Session) -> None:
    if invented.is_there(session, [LEAD_ID, *learner_ids()]):
        raise Conflict(THERE)


def _cards(session: Session) -> tuple[list[CardRow], dict[str, CardVersionRow]]:
    """Return copies of the cards in use and of their versions, which outlive the session."""
    dealt, versions = [], {}
    for card, _ in cards.drawn(session):
        version = cards.current_version(session, card.id)
        assert version is not None
        dealt.append(CardRow(**invented.columns_of(card)))
        versions[card.id] = CardVersionRow(**invented.columns_of(version))
    if not dealt:
        raise BadInput("There are no cards to practise: start the program once, then try again.")
    return dealt, versions


def _write(session: Session, history: History) -> None:
    """Store a learner, what they did, and the sums that follow from it."""
    replay, learner_id = history.replay, history.learner.id
    invented.write(session, LearnerRow, [invented.columns_of(history.learner)])
    invented.write(session, RoundRow, history.rounds)
    items = invented.write_items(session, history.items)
    invented.write(
        session,
        LookRow,
        [
            {**look, "round_item_id": item, "eye_id": eye.id}
            for look, item, eye in zip(history.looks, items, history.eyes, strict=True)
        ],
    )
    invented.write(session, AnswerRow, [invented.columns_of(one) for one in history.answers])
    invented.write(
        session, CardStateRow, [invented.columns_of(one) for one in replay.cards.values()]
    )
    invented.write(
        session, ThresholdRow, [invented.columns_of(one) for one in replay.thresholds.values()]
    )
    invented.write(
        session,
        FindingTallyRow,
        [
            {
                "learner_id": learner_id,
                "source": source,
                "finding": finding,
                "readiness": ladder.letters,
                "ladder": ladder.to_json(),
                **{name: replay.marks[source, finding, name] for name in COLUMNS.values()},
            }
            for (source, finding), ladder in replay.ladders.items()
        ],
    )
    invented.write(
        session,
        ConfusionTallyRow,
        [
            {
                "learner_id": learner_id,
                "source": source,
                "truth": truth,
                "call": call,
                "times": times,
            }
            for (source, truth, call), times in replay.confusions.items()
        ],
    )
    invented.write(
        session,
        PracticeDayRow,
        [
            {"learner_id": learner_id, "day": day, **{name: sums[name] for name in DAY_COLUMNS}}
            for day, sums in replay.days.items()
        ],
    )


def _lead(session: Session, password: NewPassword, now: datetime) -> str:
    """Make the lead's account, which only its link opens; return the link's token."""
    row = LearnerRow(
        id=LEAD_ID,
        name=LEAD_NAME,
        timezone="UTC",
        round_minutes=5,
        weekly_goal_days=4,
        daily_minutes=5,
        rotation_on=None,
        untimed=False,
        bedside="moving",
        first_run_seen=True,
        created_at=now,
        seen_at=now,
        answers=0,
    )
    session.add(row)
    session.flush()
    try:
        make_account(session, as_learner(row), Credentials(LEAD_SIGN_IN, password), now)
    except BadInput as problem:
        raise Conflict(
            f"Somebody here signs in as {LEAD_SIGN_IN}, the name of the invented school's lead; "
            "nothing was changed. Choose another name for that account first."
        ) from problem
    return invented_lead_link(session, LEAD_ID, now)


def _cohorts(
    session: Session, invited: Sequence[Person], histories: Sequence[History], now: datetime
) -> None:
    """Make the cohorts, marked as invented, and put lead and learners in."""
    today = now.date()
    begun = min(history.learner.created_at for history in histories)
    for number, cohort in enumerate(COHORTS):
        after = cohort.rotation_after
        session.add(
            CohortRow(
                id=cohort_id(number),
                name=cohort.name,
                created_at=begun,
                archived_at=None,
                join_code=new_code(session),
                rotation_on=None if after is None else today + timedelta(days=after),
                weekly_goal_days=cohort.weekly_goal_days,
                standards=cohort.standards,
                left_out=[],
                invented=True,
            )
        )
        # The next code must not be the same.
        session.flush()
        session.add(CohortLeadRow(cohort_id=cohort_id(number), learner_id=LEAD_ID, since=begun))
    invented.write(
        session,
        CohortMemberRow,
        [
            {
                "cohort_id": cohort_id(person.cohort),
                "learner_id": person.id,
                "joined_at": begun,
                "group_name": person.group,
            }
            for person in invited
        ],
    )
    session.flush()
