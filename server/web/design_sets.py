"""A set of a design's eyes as a page shows it: asked for where it has to be, and as it stands."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from starlette.requests import Request

from server.services.authoring import preview
from server.services.authoring.draft import Draft
from server.services.catalogue import Catalogue
from server.services.recipes import Recipe
from server.storage.card_drafts import Event
from server.web.access import Visit, reading, writing
from server.web.authoring_contexts import RemarkedEye
from server.web.design_figures import EyesShown, shown_eye, shown_eyes
from server.web.site import site_of


def look_at(
    request: Request,
    card_id: str,
    recipe: Recipe,
    series: int,
    address: str,
    *,
    instead_of: Collection[str] = (),
    in_form: bool = False,
    stopped: bool = False,
    remarkable: bool = False,
) -> EyesShown:
    """Return a set of eyes, and have those drawn that are not there.

    Parameters
    ----------
    instead_of : names that the same page asked for before.
    stopped : ask for nothing.
    """
    catalogue = site_of(request).catalogue
    wanted = preview.eyes_of(recipe, catalogue, card_id, series)
    left = set(instead_of) - {one.name for one in wanted}
    with reading(request) as visit:
        eyes = preview.look(visit.session, wanted)
        settled = stopped or (not left and preview.is_settled(visit.session, wanted, visit.now))
    if not settled:
        with writing(request) as visit:
            preview.ask(visit.session, wanted, visit.now, left)
            eyes = preview.look(visit.session, wanted)
    return EyesShown(
        shown_eyes(eyes, recipe, catalogue),
        series,
        address,
        in_form=in_form,
        stopped=stopped,
        remarkable=remarkable,
    )


def draw_again(request: Request, remarked: Collection[RemarkedEye]) -> None:
    """Have the eyes drawn that remarks are about, where their pictures are gone."""
    gone = [one.event.picture for one in remarked if one.eye is not None and not one.eye.picture]
    if gone:
        with writing(request) as visit:
            preview.ask_again(visit.session, gone, visit.now)


def remarked_eyes(
    visit: Visit, draft: Draft, events: Iterable[Event], catalogue: Catalogue
) -> tuple[RemarkedEye, ...]:
    """Return what was asked of single drawn eyes, the latest first.

    Parameters
    ----------
    events : the draft's history, the latest first.
    """
    if draft.design is None:
        return ()
    asked = [one for one in events if one.act == "changes-asked" and one.picture]
    kept = preview.find_all(visit.session, [one.picture for one in asked])
    return tuple(
        RemarkedEye(one, (known := kept.get(one.picture)) and shown_eye(*known, catalogue))
        for one in asked
    )
