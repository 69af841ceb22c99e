"""The data dictionary of a checkpoint's tables: what every column holds and means."""

from __future__ import annotations

from collections.abc import Sequence

from server.rendering.eye import FINDINGS
from server.services.exports.columns import INVENTED, Column, column_of

LEARNER = Column(
    "learner",
    "text",
    "Pseudonym: the same as in every other file of this cohort. Pseudonymous is not anonymous.",
)

PEOPLE: tuple[Column, ...] = (
    INVENTED,
    LEARNER,
    Column("eyes_right", "whole number", "Eyes about which every judgement was right."),
    Column("eyes", "whole number", "Eyes that count."),
    Column("share", "0 to 1", "eyes_right / eyes."),
    Column("share_low", "0 to 1", "Lower end of the share's 95 % interval (Wilson)."),
    Column("share_high", "0 to 1", "Upper end of it."),
    Column(
        "passed", "yes or no", "Whether the share reaches the pass mark; empty without a pass mark."
    ),
    Column("finished", "yes or no", "Yes: the learner met every eye. No: some are missing."),
    Column(
        "rating",
        "1 to 5",
        "Examiner's overall rating, 1 clear fail to 5 excellent; empty for none.",
    ),
)

EYES: tuple[Column, ...] = (
    INVENTED,
    Column("eye", "whole number", "Number of the eye in the checkpoint."),
    Column("kind", "text", "Title of its card."),
    Column("findings", "text", "Findings that its masks show, separated by spaces."),
    Column(
        "severity",
        "0 to 1",
        "Of the card's own finding or look-alike, on the renderer's own scale; empty for a normal "
        "eye.",
    ),
    Column("seed", "whole number", "The seed that the eye was drawn from."),
    Column(
        "renderer",
        "whole number",
        "Version of the renderer that drew it; 0 for an eye that was only described.",
    ),
    Column("right", "whole number", "Learners who were right in every judgement about it."),
    Column("learners", "whole number", "Learners who sat the checkpoint."),
    Column(
        "with_rest",
        "from -1 to 1",
        "Point-biserial correlation with the score on the other eyes that count; empty where it "
        "cannot be worked out.",
    ),
    Column(
        "upper_lower",
        "from -1 to 1",
        "Share right in the best 27 % less that in the worst 27 %; empty likewise.",
    ),
    Column("counts", "yes or no", "No: it was taken out of the marking."),
)

ANSWERS: tuple[Column, ...] = (
    INVENTED,
    LEARNER,
    Column("eye", "whole number", "Number of the eye in the checkpoint."),
    Column("position", "whole number", "Place of the eye in this learner's order, from 1."),
    Column("shown_at", "ISO 8601, UTC", "When the eye was first shown."),
    Column("answered_at", "ISO 8601, UTC", "When the answer was taken in; empty without one."),
    Column("right", "yes or no", "Yes: every judgement was right. Without an answer, no."),
    Column(
        "certainty",
        "sure, unsure or guessing",
        "As the learner put it; empty when the time ended the answer.",
    ),
    Column(
        "seconds",
        "seconds",
        "From the picture to the commit, time out of sight taken off; empty if unknown.",
    ),
    *(
        Column(
            column_of(finding),
            "hit, miss, false-alarm or correct-rejection",
            f"Mark on {finding.replace('-', ' ')}; empty without an answer, or where the region "
            "was not in view.",
        )
        for finding in FINDINGS
    ),
)

COLUMNS: dict[str, tuple[Column, ...]] = {"people": PEOPLE, "eyes": EYES, "answers": ANSWERS}
"""Columns by table."""


def dictionary() -> Sequence[tuple[str, str, str, str]]:
    """Return the rows of the data dictionary, table by table."""
    return [
        (table, column.name, column.holds, column.means)
        for table, columns in COLUMNS.items()
        for column in columns
    ]
