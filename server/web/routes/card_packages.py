"""Packages of cards: the school's own taken along, and others' looked through and brought in."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path as FolderPath
from typing import IO, Annotated

from fastapi import APIRouter, File, Form, Path, Query, UploadFile
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from server.errors import BadInput, Conflict, NotAllowed, NotFound
from server.rendering.uploads import LARGEST_FILE
from server.services.packages import bringing_in, checking, exporting, planning, waiting
from server.services.packages import pictures as package_pictures
from server.services.packages.archive import Archive
from server.services.packages.exporting import Offer
from server.services.packages.packed_card import PICTURES
from server.services.packages.reading import MOST_PROBLEMS
from server.web.access import Visit, reading, writing
from server.web.authoring_contexts import PackagePage, PackagesPage, PackedLine
from server.web.authoring_figures import published_photographs
from server.web.authoring_forms import PackForm, SeenForm
from server.web.authoring_words import SAID
from server.web.pages import PRIVATE, see_other
from server.web.site import site_of

router = APIRouter(prefix="/cards/packages")

LARGEST_PACKAGE = 128 * 1024 * 1024
"""Bytes that a page takes, the form around it included."""
PIECE = 256 * 1024

Digest = Annotated[str, Path(pattern="^[0-9a-f]{64}$")]
Done = Annotated[str, Query(max_length=20)]


@router.get("")
def index(request: Request, done: Done = "") -> Response:
    """Show what can be taken along, what waits, and where a package is sent in."""
    with reading(request) as visit:
        context = _index(request, visit, said=SAID.get(done, ""))
    return site_of(request).pages.render(request, context)


@router.post("/export")
def export(request: Request, form: Annotated[PackForm, Form()]) -> Response:
    """Send a package of the chosen cards, and note in the audit trail who took them along."""
    site = site_of(request)
    try:
        with writing(request) as visit:
            offered = exporting.offer(
                visit.session,
                credit=form.credit,
                licence=form.licence,
                card_ids=form.cards,
                school_owned=bool(form.school_owned),
            )
            exporting.note(visit.session, visit.learner.id, visit.now)
        file = _written(site.settings.pictures_dir, offered, form, visit.now)
    except BadInput as problem:
        with reading(request) as visit:
            context = _index(request, visit, problem=str(problem), form=form)
        return site.pages.render(request, context, status=problem.status)
    size = file.tell()
    return StreamingResponse(
        _pieces(file),
        media_type="application/zip",
        headers={
            **PRIVATE,
            "Content-Length": str(size),
            "Content-Disposition": f'attachment; filename="cards-{visit.now:%Y-%m-%d}.zip"',
        },
    )


@router.post("", max_body_size=LARGEST_PACKAGE)
def send_in(request: Request, file: Annotated[UploadFile | None, File()] = None) -> Response:
    """Look a package through; one that is sound waits to be decided on."""
    site = site_of(request)
    with reading(request):
        pass  # who may not send one in has none unpacked
    if file is None or not file.filename:
        return _refused(request, "Choose a package: a ZIP that another site wrote.")
    # Before the database is held: decoding takes seconds.
    checked = waiting.look_through(file.file, site.catalogue)
    with reading(request) as visit:
        plan = planning.plan(visit.session, checked)
        if plan.problems:
            context = _index(request, visit, refused=plan, name=file.filename)
            return site.pages.render(request, context, status=BadInput.status)
    try:
        with writing(request) as visit:
            digest = waiting.keep(
                visit.session,
                site.settings.data_dir,
                visit.learner.id,
                file.file,
                file.filename,
                visit.now,
            )
    except BadInput as problem:
        return _refused(request, str(problem))
    return see_other(f"/cards/packages/{digest}")


@router.get("/{digest}")
def show(request: Request, digest: Digest) -> Response:
    """Show what bringing a package in would do, with every card and photograph of it."""
    return _shown(request, digest)


@router.get("/{digest}/pictures/{number}")
def picture(
    request: Request, digest: Digest, number: Annotated[int, Path(ge=0, le=100_000)]
) -> Response:
    """Send a picture of a package that waits, checked and as it would be kept."""
    with reading(request) as visit:
        package = waiting.find(visit.session, digest)
    with waiting.opened_package(site_of(request).settings.data_dir, package) as archive:
        names = _pictures(archive)
        if number >= len(names):
            raise NotFound("There is no such picture.")
        name = names[number]
        data = package_pictures.prepare(archive.read(name, LARGEST_FILE + 1), name).encoded.data
    return Response(data, media_type="image/webp", headers=PRIVATE)


@router.post("/{digest}/bring-in")
def bring_in(request: Request, digest: Digest, form: Annotated[SeenForm, Form()]) -> Response:
    """Bring a package in as it was shown: every card of it, or nothing."""
    site = site_of(request)
    with reading(request) as visit:
        package = waiting.find(visit.session, digest)
        if not waiting.may_bring_in(visit.session, visit.learner.id, package):
            raise NotAllowed("You sent this package in: another lead brings it in.")
    try:
        with waiting.opened_package(site.settings.data_dir, package) as archive:
            checked = checking.check(archive, site.catalogue)
            with reading(request) as visit:
                plan = planning.plan(visit.session, checked)
            wanted = bringing_in.wanted(plan, checked)
            with (
                package_pictures.written(
                    site.database, site.settings.pictures_dir, archive, wanted
                ),
                writing(request) as visit,
            ):
                bringing_in.bring_in(
                    visit.session,
                    site.catalogue,
                    checked,
                    visit.learner.id,
                    visit.now,
                    seen=form.seen,
                )
    except (BadInput, Conflict) as problem:
        return _shown(request, digest, problem=str(problem), status=problem.status)
    with writing(request) as visit:
        waiting.drop(visit.session, site.settings.data_dir, digest)
    return see_other("/cards?done=unpacked")


@router.post("/{digest}/drop")
def drop(request: Request, digest: Digest) -> Response:
    """Drop a package that waits."""
    with writing(request) as visit:
        waiting.drop(visit.session, site_of(request).settings.data_dir, digest)
    return see_other("/cards/packages?done=package-dropped")


def _shown(request: Request, digest: str, *, problem: str = "", status: int = 200) -> Response:
    site = site_of(request)
    with reading(request) as visit:
        package = waiting.find(visit.session, digest)
    with waiting.opened_package(site.settings.data_dir, package) as archive:
        checked = checking.check(archive, site.catalogue)
        place = {name: number for number, name in enumerate(_pictures(archive))}
    with reading(request) as visit:
        plan = planning.plan(visit.session, checked)
        lines = tuple(
            PackedLine(
                line,
                tuple(
                    (place[checked.pictures[one.picture].file], shown)
                    for one, shown in zip(
                        line.card.photographs,
                        published_photographs(line.card.photographs, site.catalogue),
                        strict=True,
                    )
                    if one.picture in checked.pictures
                ),
            )
            for line in plan.lines
        )
        context = PackagePage(
            learner=visit.learner,
            package=package,
            plan=plan,
            lines=lines,
            may_bring_in=waiting.may_bring_in(visit.session, visit.learner.id, package),
            problems=plan.problems[:MOST_PROBLEMS],
            problem=problem,
        )
    return site.pages.render(request, context, status=status)


def _refused(request: Request, words: str) -> Response:
    with reading(request) as visit:
        context = _index(request, visit, problem=words)
    return site_of(request).pages.render(request, context, status=BadInput.status)


def _index(
    request: Request,
    visit: Visit,
    *,
    said: str = "",
    problem: str = "",
    form: PackForm | None = None,
    refused: planning.Plan | None = None,
    name: str = "",
) -> PackagesPage:
    offered = exporting.choices(visit.session)
    return PackagesPage(
        learner=visit.learner,
        choices=offered,
        licences=exporting.WORDS_LICENCES,
        form=form or PackForm(cards=[one.id for one in offered if not one.owned]),
        waiting=waiting.waiting(visit.session),
        problems=() if refused is None else refused.problems[:MOST_PROBLEMS],
        more_problems=0 if refused is None else max(0, len(refused.problems) - MOST_PROBLEMS),
        refused_name=name,
        said=said,
        problem=problem,
    )


def _pictures(archive: Archive) -> list[str]:
    return sorted(name for name in archive.sizes if name.startswith(PICTURES))


def _written(pictures_dir: FolderPath, offered: Offer, form: PackForm, now: datetime) -> IO[bytes]:
    """Return a package as a file that is gone once it is closed."""
    # Not closed here: it is read while the answer leaves.
    file = tempfile.TemporaryFile()  # noqa: SIM115
    try:
        exporting.write(
            file,
            offered,
            pictures_dir,
            title=form.title,
            credit=form.credit,
            licence=form.licence,
            now=now,
        )
    except BaseException:
        file.close()
        raise
    return file


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    with file:
        file.seek(0)
        while piece := file.read(PIECE):
            yield piece
