"""The composition root: wires the rooms together into one application."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import Depends, FastAPI
from starlette.middleware.gzip import GZipMiddleware

from server.clock import Clock, utc_now
from server.identity.openid import Provider, Registration
from server.jobs.postman import Postman
from server.jobs.render_pool import RenderPool
from server.services.catalogue import load_catalogue
from server.services.photographs import load_photographs
from server.services.reading import load_glossary, load_opening, load_reading, load_safety
from server.settings import CHECKOUT, Settings
from server.storage.engine import database_of
from server.web import errors
from server.web.crossorigin import CrossOriginGuard
from server.web.headers import SecurityHeaders
from server.web.pages import Pages, build_environment
from server.web.routes import (
    account,
    authored_designs,
    authored_photographs,
    authoring,
    bedside,
    calendar,
    card_packages,
    card_quality,
    checkpoint_results,
    checkpoints,
    cohort_cards,
    cohort_checkpoints,
    cohort_export,
    cohort_learners,
    cohort_settings,
    cohorts,
    files,
    front,
    gallery,
    health,
    joining,
    library,
    links,
    looks,
    own_account,
    own_data,
    passkeys,
    people,
    plan,
    progress,
    reading,
    reminders,
    roster,
    rounds,
    school,
    second_factor,
    sign_in,
)
from server.web.rules import listed
from server.web.site import Site
from server.web.standing_words import names
from server.web.static import Assets

LARGEST_BODY = 64 * 1024
"""Bytes; an answer is well under one kilobyte."""


def create_app(settings: Settings, *, clock: Clock = utc_now) -> FastAPI:
    """Return the application for a migrated and seeded database.

    Parameters
    ----------
    settings : of this program.
    clock : the time, so that tests can move it.
    """
    assets = Assets(CHECKOUT / "static")
    database = database_of(settings)
    pool = RenderPool(settings, database, clock)
    catalogue = load_catalogue()
    postman = Postman(settings, database, clock, names(catalogue))

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        pool.start()
        postman.start()
        yield
        postman.stop()
        pool.stop()
        database.dispose()

    app = FastAPI(
        lifespan=lifespan,
        title="Fundus Rounds",
        # Pages for people; there is no public programming interface to document.
        openapi_url=None,
        max_body_size=LARGEST_BODY,
    )
    app.state.site = Site(
        settings=settings,
        database=database,
        clock=clock,
        assets=assets,
        pages=Pages(build_environment(CHECKOUT / "templates", assets, load_safety())),
        catalogue=catalogue,
        reading=load_reading(),
        opening=load_opening(),
        glossary=load_glossary(),
        photographs=load_photographs(),
        provider=_provider_of(settings),
        hurry_mail=postman.wake,
    )
    errors.install(app)
    for family in (
        *(front, rounds, looks, plan, progress, reading, bedside, gallery, account, reminders),
        *(calendar, sign_in, school, second_factor, own_account, own_data, passkeys, links),
        *(people, files, health),
        *(library, cohorts, cohort_export, cohort_learners, cohort_settings, roster, joining),
        *(checkpoints, cohort_checkpoints, checkpoint_results),
        *(authored_designs, authored_photographs, card_packages, card_quality, authoring),
        cohort_cards,
    ):
        app.include_router(family.router, dependencies=[Depends(listed)])
    # The last one added is the outermost.
    app.add_middleware(errors.FaultBoundary)
    app.add_middleware(GZipMiddleware, minimum_size=500, compresslevel=6)
    app.add_middleware(CrossOriginGuard)
    app.add_middleware(SecurityHeaders, secure=settings.secure_cookies)
    return app


def _provider_of(settings: Settings) -> Provider | None:
    if not settings.oidc_issuer:
        return None
    return Provider(
        Registration(
            issuer=settings.oidc_issuer,
            client_id=settings.oidc_client_id,
            client_secret=settings.oidc_client_secret,
            back=f"{settings.public_url}{school.BACK}",
        )
    )
