"""One template per page: the whole page for a browser, its named block for htmx."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from jinja2_fragments import render_block
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from server.services.reading import SafetyLines
from server.web import (
    authoring_words,
    charts,
    checkpoint_words,
    cohort_words,
    plan_words,
    standing_words,
    wording,
)
from server.web.contexts import PageContext
from server.web.static import Assets

FRAGMENT_BLOCKS = ("title_element", "page")
"""What htmx gets: the new document title and the part of the page it replaces."""

PRIVATE: dict[str, str] = {
    # A page shows one learner's own state: no cache keeps it, so Back asks again.
    "Cache-Control": "no-store",
    # Page and fragment share one address.
    "Vary": "HX-Request, Accept",
}


def build_environment(folder: Path, assets: Assets, safety: SafetyLines) -> Environment:
    """Return the template environment; a name the context lacks is an error, never a blank."""
    environment = Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(
        asset=assets.url,
        authoring_words=authoring_words,
        charts=charts,
        checkpoint_words=checkpoint_words,
        cohort_words=cohort_words,
        plan_words=plan_words,
        safety=safety,
        standing_words=standing_words,
        wording=wording,
    )
    environment.filters.update(
        short_date=wording.short_date,
        percent=wording.percent,
        count=wording.count,
        zip_with=zip,
    )
    return environment


def wants_fragment(request: Request) -> bool:
    """Whether htmx asks for a block to swap in (a restored history entry needs the whole page)."""
    headers = request.headers
    return (
        headers.get("hx-request") == "true" and headers.get("hx-history-restore-request") != "true"
    )


def wants_json(request: Request) -> bool:
    """Whether the outbox asks: it sends kept answers and reads states, not pages."""
    return request.headers.get("accept", "").startswith("application/json")


class Pages:
    """Renders page contexts."""

    def __init__(self, environment: Environment) -> None:
        self.environment = environment

    def render(
        self,
        request: Request,
        context: PageContext,
        *,
        status: int = 200,
        headers: Mapping[str, str] | None = None,
    ) -> Response:
        """Answer with the context's page, or with its fragment when htmx asks."""
        template = self.environment.get_template(context.TEMPLATE)
        values = fields_of(context)
        # A page without the blocks is never a target of htmx: it goes out whole.
        if wants_fragment(request) and set(FRAGMENT_BLOCKS) <= set(template.blocks):
            html = "".join(
                render_block(self.environment, context.TEMPLATE, block, values)
                for block in FRAGMENT_BLOCKS
            )
        else:
            html = template.render(values)
        return HTMLResponse(html, status, headers={**PRIVATE, **(headers or {})})


def fields_of(context: PageContext) -> dict[str, Any]:
    """The context's fields by name (its nested values stay objects)."""
    return {field.name: getattr(context, field.name) for field in dataclasses.fields(context)}


def see_other(address: str) -> Response:
    """Send the browser on with GET, so that reload and Back never repeat a form."""
    return RedirectResponse(address, 303, headers=PRIVATE)


def go_to(request: Request, address: str) -> Response:
    """Send a browser, or a page driven by htmx, to another address."""
    if wants_fragment(request):
        return Response(status_code=204, headers={**PRIVATE, "HX-Redirect": address})
    return see_other(address)
