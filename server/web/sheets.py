"""From the study services' values to the pages of a look: the sheet, and the sheet corrected."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from typing import Literal
from uuid import uuid4

from server.optics import APERTURES
from server.optics.focus import WHEEL_D
from server.services.catalogue import Catalogue
from server.services.learners import Learner
from server.services.study import Feedback, FindingResult, Look
from server.web.bedside_contexts import BedsideRoundPage, StillRoundPage
from server.web.contexts import FeedbackPage, LookPage, ResultRow, SheetRow
from server.web.overlays import outlines_of, plain_outlines
from server.web.wording import comes_back, headline, measure, verdict

BEGINS_D = 4
"""One begins with plus and comes down until the retina clears."""


def look_page(
    learner: Learner,
    look: Look,
    catalogue: Catalogue,
    view: Literal["moving", "still"] | None = None,
) -> LookPage:
    """Return the page of an eye that waits for its answer.

    Parameters
    ----------
    view : how an eye at the bedside is shown this time; None as the learner set it.
    """
    rows = sheet_rows(catalogue, look.asked)
    if look.bedside is None:
        return LookPage(learner, look, rows, uuid4())
    if (view or learner.bedside) == "still":
        return StillRoundPage(learner, look, rows, uuid4())
    return BedsideRoundPage(
        learner,
        look,
        rows,
        uuid4(),
        view=json.dumps(look.bedside.view, separators=(",", ":")),
        wheel=WHEEL_D,
        begins_at=WHEEL_D.index(BEGINS_D),
        apertures=tuple(APERTURES.values()),
    )


def sheet_rows(catalogue: Catalogue, asked: Collection[str]) -> tuple[SheetRow, ...]:
    """Return the judgements of an answer sheet, in examination order."""
    return tuple(
        SheetRow(
            finding=text.slug,
            number=number,
            asks=text.judgement.asks,
            normal=text.judgement.normal,
            present=text.judgement.present,
            asked=text.slug in asked,
        )
        for number, text in enumerate(catalogue.findings, start=1)
    )


def feedback_page(learner: Learner, feedback: Feedback, catalogue: Catalogue) -> FeedbackPage:
    """Return the page of an answered eye."""
    comparison = feedback.comparison
    return FeedbackPage(
        learner=learner,
        feedback=feedback,
        look=feedback.look,
        headline=headline(feedback),
        verdict=verdict(feedback, catalogue),
        comes_back=comes_back(feedback),
        rows=result_rows(feedback.findings, catalogue),
        outlines=outlines_of(feedback, catalogue),
        comparison_outlines=plain_outlines(comparison.regions) if comparison else (),
        codes=tuple((code, catalogue.codes[code].label) for code in feedback.card.icd10),
    )


def result_rows(findings: Sequence[FindingResult], catalogue: Catalogue) -> tuple[ResultRow, ...]:
    """Return the lines of a corrected sheet."""
    return tuple(_row(result, catalogue) for result in findings)


def _row(result: FindingResult, catalogue: Catalogue) -> ResultRow:
    text = catalogue.finding(result.finding)
    words = text.judgement
    truth = words.present if result.present else words.normal
    how_much = measure(result.measure, result.unit) if result.present else ""
    match result.mark:
        case "hit":
            return ResultRow(text.slug, words.asks, truth, "seen", "seen", how_much)
        case "miss":
            return ResultRow(text.slug, words.asks, truth, "missed", "missed", how_much)
        case "false-alarm":
            return ResultRow(text.slug, words.asks, truth, "imagined", "false alarm", "")
        case "correct-rejection":
            return ResultRow(text.slug, words.asks, truth, "agreed", "you agreed", "")
        case _:
            return ResultRow(text.slug, words.asks, "", "unseen", "", "")
