"""How cohorts are put into words on a page."""

from __future__ import annotations

SAID = {
    "joined": "You have joined. Your leads see what is listed below, and nothing else.",
    "left": "You have left the cohort: its leads see nothing of you any more.",
    "made": "The cohort is made. Say what you ask of its learners, then invite them.",
    "saved": "Saved.",
    "lead": "They lead this cohort too.",
    "lead-removed": "They lead this cohort no longer.",
    "group": "Their group is saved.",
    "removed": "They are no longer in the cohort. What they practised stays theirs.",
    "code": "This is the new code. The old one joins nothing any more.",
    "archived": "The cohort is archived: nobody can join, and it asks nothing of anybody.",
    "restored": "The cohort is in use again.",
}
"""What a page says when it comes after something that was done."""
