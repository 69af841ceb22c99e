"""Cards that do not come in a learner's rounds though they are in use."""

from __future__ import annotations

from uuid import UUID

from sqlalchemy.orm import Session

from server.storage import cohorts, photographs


def left_out(session: Session, learner_id: UUID) -> frozenset[str]:
    """Return the cards that a learner is not given: by their cohorts, or because none is fresh.

    A photograph is shown to a learner once. People told 83 % of 10,000 pictures, seen for
    five seconds each, from new ones two days later (Standing, Q J Exp Psychol 1973;25:207-222,
    the figure as cited by Brady et al.), and 87 % of 2,500 from the same object in another
    state (Brady et al., PNAS 2008;105:14325-14329). A second look would ask for the picture,
    not for the finding.
    """
    return cohorts.left_out(session, learner_id) | photographs.used_up(session, learner_id)
