"""From the study services' values to the pages of a look: the sheet, and the sheet corrected."""

from __future__ import annotations

from uuid import uuid4

from server.services.catalogue import Catalogue
from server.services.learners import Learner
from server.services.study import Feedback, FindingResult, Look
from server.web.contexts import FeedbackPage, LookPage, ResultRow, SheetRow
from server.web.overlays import outlines_of, plain_outlines
from server.web.wording import comes_back, headline, measure, verdict


def look_page(learner: Learner, look: Look, catalogue: Catalogue) -> LookPage:
    """Return the page of an eye that waits for its answer."""
    rows = tuple(
        SheetRow(
            finding=text.slug,
            number=number,
            asks=text.judgement.asks,
            normal=text.judgement.normal,
            present=text.judgement.present,
            asked=text.slug in look.asked,
        )
        for number, text in enumerate(catalogue.findings, start=1)
    )
    return LookPage(learner, look, rows, uuid4())


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
        rows=tuple(_row(result, catalogue) for result in feedback.findings),
        outlines=outlines_of(feedback, catalogue),
        comparison_outlines=plain_outlines(comparison.regions) if comparison else (),
        codes=tuple((code, catalogue.codes[code].label) for code in feedback.card.icd10),
    )


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
