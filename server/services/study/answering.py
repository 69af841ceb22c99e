"""Taking an answer exactly once, and giving its feedback as often as asked."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any, get_args
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict
from server.measurement.confusion import confusion, sheet_of
from server.rendering.eye import FINDINGS
from server.rendering.truth import Truth
from server.scheduling.days import local_day
from server.scheduling.quality import MEDIAN_OF_LAST
from server.services.learners import Learner, eyes_in
from server.services.left_out import left_out
from server.services.study import examining, fitting
from server.services.study.feedback import feedback_of
from server.services.study.judging import Circumstances, Judged, judge, load_to_json, state_to_json
from server.services.study.repeats import continue_round
from server.services.study.results import Certainty, Feedback, Submission
from server.services.study.rounds import hold
from server.services.study.shown import find_look, own_finding, version_mark
from server.storage import answers, card_states, tallies
from server.storage.looks import ShownLook
from server.storage.models import AnswerRow, CardStateRow, LearnerRow

LONGEST_MS = 7 * 24 * 3600 * 1000
"""A week: a page can lie in a pocket for days, but not for longer than this."""

COUNTED_MS = 5 * 60 * 1000
"""No look adds more than this to the time practised: the phone was put down."""

ALREADY_ANSWERED = (
    "You had already answered this eye: the first answer counts, and this is its feedback."
)


def answer(
    session: Session, learner: Learner, look_id: UUID, submission: Submission, now: datetime
) -> Feedback:
    """Judge, count and schedule an answer exactly once, and return its feedback. Writes.

    The same ``answer_id`` again returns the same feedback; another answer on
    an answered look returns the first feedback with a note and counts nothing.

    Raises
    ------
    NotFound : no such look of this learner.
    BadInput : the sheet is incomplete, has unknown words, or an impossible time or point.
    Conflict : the answer was made for another picture, or its id belongs to another look.
    """
    row = hold(session, learner)
    shown = find_look(session, learner.id, look_id)
    if shown.answer is not None:
        note = "" if shown.answer.id == submission.answer_id else ALREADY_ANSWERED
        return feedback_of(session, shown, note)
    _check(session, shown, submission)
    day = local_day(now, row.timezone)
    state = card_states.get(session, learner.id, shown.card.id)
    practised = tallies.practice_day(session, learner.id, day)
    absent = left_out(session, learner.id)
    due = card_states.due_besides(session, learner.id, shown.card.id, but=absent)
    given = Circumstances(
        response_ms=submission.response_ms,
        hidden_ms=submission.hidden_ms,
        # Time at the bedside goes into the search, not into the recognition.
        untimed=row.untimed or shown.wide is not None,
        first_of_day=practised is None,
        usual_ms=answers.usual_milliseconds(session, learner.id, row.answers + 1, MEDIAN_OF_LAST),
        state=card_states.as_state(state),
        on=day,
        rotation_on=row.rotation_on,
        load={each.day: each.cards for each in due if each.day > day},
        due_besides=sum(each.in_use for each in due if each.day <= day),
        day_looks=eyes_in(row.daily_minutes),
        answered_today=0 if practised is None else practised.answers,
    )
    judged = judge(
        own_finding=own_finding(shown.version.content),
        truth=Truth.from_dict(shown.truth),
        judgements=submission.judgements,
        certainty=submission.certainty,
        point=submission.point,
        given=given,
    )
    stored = _store(session, row, shown, submission, given, judged, now)
    _move_card(session, row, shown, submission, state, judged, day)
    _count(session, shown, stored)
    examining.examine(session, shown, stored, submission, now)
    continue_round(session, shown, judged, now)
    session.flush()
    return feedback_of(session, shown._replace(answer=stored))


def feedback(session: Session, learner: Learner, look_id: UUID) -> Feedback:
    """Return the feedback of an answered look again. Reads only.

    Raises
    ------
    NotFound : no such look of this learner.
    Conflict : the look is not answered yet.
    """
    shown = find_look(session, learner.id, look_id)
    if shown.answer is None:
        raise Conflict("This eye is not answered yet: answer it first.")
    return feedback_of(session, shown)


def _check(session: Session, shown: ShownLook, submission: Submission) -> None:
    """Refuse what cannot be an answer to this look, saying why."""
    if answers.get(session, submission.answer_id) is not None:
        raise Conflict("This answer was already given for another eye: reload the page.")
    if (
        submission.card_version != version_mark(shown.version)
        or submission.renderer_version != shown.look.renderer_version
    ):
        raise Conflict("This answer was made for another picture: reload the page.")
    if submission.certainty is not None and submission.certainty not in get_args(Certainty):
        allowed = ", ".join(get_args(Certainty))
        raise BadInput(f"certainty {submission.certainty!r} is none of {allowed}")
    if not 0 <= submission.hidden_ms <= submission.response_ms <= LONGEST_MS:
        raise BadInput(
            f"a response of {submission.response_ms} ms with {submission.hidden_ms} ms hidden is "
            "not possible: reload the page"
        )


def _store(
    session: Session,
    row: LearnerRow,
    shown: ShownLook,
    submission: Submission,
    given: Circumstances,
    judged: Judged,
    now: datetime,
) -> AnswerRow:
    row.answers += 1
    row.seen_at = now
    x, y = submission.point if submission.point is not None else (None, None)
    stored = AnswerRow(
        id=submission.answer_id,
        look_id=shown.look.id,
        learner_id=row.id,
        card_id=shown.card.id,
        ordinal=row.answers,
        answered_at=now,
        local_day=given.on,
        rules_version=given.rules_version,
        judgements=dict(submission.judgements),
        certainty=submission.certainty,
        point_x=x,
        point_y=y,
        response_ms=given.response_ms,
        hidden_ms=given.hidden_ms,
        untimed=given.untimed,
        usable_ms=judged.usable_ms,
        outcome=judged.marked.outcome.value,
        point_right=judged.marked.place_right,
        marks=judged.marks,
        quality=judged.quality,
        counted=judged.scheduled.counted,
        schedule_before=state_to_json(given.state),
        schedule_after=state_to_json(judged.scheduled.after),
        rotation_on=given.rotation_on,
        load=load_to_json(judged.scheduled.load),
        due_besides=given.due_besides,
        day_looks=given.day_looks,
    )
    session.add(stored)
    session.flush()
    return stored


def _move_card(
    session: Session,
    row: LearnerRow,
    shown: ShownLook,
    submission: Submission,
    state: CardStateRow | None,
    judged: Judged,
    day: date,
) -> None:
    if state is None:
        state = CardStateRow(
            learner_id=row.id, card_id=shown.card.id, owes_repeat_on=None, confusions=0
        )
        session.add(state)
    apply_to_card(
        state,
        judged,
        day=day,
        certainty=submission.certainty,
        finding=own_finding(shown.version.content),
    )


def apply_to_card(
    state: CardStateRow,
    judged: Judged,
    *,
    day: date,
    certainty: str | None,
    finding: str | None,
) -> None:
    """Write what an answer changes about its card."""
    after = judged.scheduled.after
    assert after.due_on is not None
    assert after.last_on is not None
    state.easiness = after.easiness
    state.repetition = after.repetition
    state.interval_days = after.interval_days
    state.due_on = after.due_on
    state.last_on = after.last_on
    state.lapses = after.lapses
    state.seen_on = day
    if judged.scheduled.counted == "review":
        state.owes_repeat_on = day if judged.scheduled.repeats else None
    elif state.owes_repeat_on == day:
        # The repeat comes once; however it went, the schedule stands.
        state.owes_repeat_on = None
    state.last_outcome = judged.marked.outcome.value
    state.last_sure = certainty in (None, "sure")
    if finding is None and "false-alarm" in judged.marked.verdicts.values():
        state.confusions += 1
    elif judged.rules_version > 1 and judged.marked.outcome == "right" and state.confusions:
        # What is told apart by now must not crowd out the rest for ever.
        state.confusions -= 1


def _count(session: Session, shown: ShownLook, stored: AnswerRow) -> None:
    tallies.add_marks(session, stored.learner_id, shown.source, stored.marks)
    tallies.add_confusions(
        session,
        stored.learner_id,
        shown.source,
        confusions_on(stored.marks, shown.version.content),
    )
    fitting.note(session, shown, stored.marks)
    tallies.add_answer(
        session,
        stored.learner_id,
        stored.local_day,
        outcome=stored.outcome,
        abnormal=bool(Truth.from_dict(shown.truth).present),
        visible_ms=visible_ms_counted(stored.response_ms, stored.hidden_ms),
    )


def confusions_on(
    marks: Mapping[str, str], content: Mapping[str, Any]
) -> Mapping[tuple[str, str], int]:
    """Return what was taken for what on one marked sheet.

    Parameters
    ----------
    content : of the version of the card that was shown.
    """
    card = content["card"]
    look_alike = card["features"][0]["kind"] if card["kind"] == "look-alike" else None
    return confusion([sheet_of(marks, look_alike)], FINDINGS).counts


def visible_ms_counted(response_ms: int, hidden_ms: int) -> int:
    """Return the part of a look that counts as time practised."""
    return min(COUNTED_MS, response_ms - hidden_ms)
