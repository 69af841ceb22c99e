"""Every template loads; what it names is what its page's dataclass holds."""

from __future__ import annotations

import dataclasses

import pytest
from jinja2 import meta

from server.services.reading import load_safety
from server.settings import CHECKOUT
from server.web import (
    account_contexts,
    authoring_contexts,
    bedside_contexts,
    checkpoint_contexts,
    cohort_contexts,
    contexts,
    gallery_contexts,
    library_contexts,
)
from server.web.contexts import PageContext
from server.web.pages import FRAGMENT_BLOCKS, build_environment
from server.web.static import Assets

TEMPLATES = CHECKOUT / "templates"
ENVIRONMENT = build_environment(TEMPLATES, Assets(CHECKOUT / "static"), load_safety())
PAGES = [
    kind
    for module in (
        contexts,
        account_contexts,
        authoring_contexts,
        bedside_contexts,
        checkpoint_contexts,
        cohort_contexts,
        gallery_contexts,
        library_contexts,
    )
    for kind in vars(module).values()
    if isinstance(kind, type) and issubclass(kind, PageContext) and kind.TEMPLATE
]
SWAPPED = (
    contexts.LookPage,
    contexts.FeedbackPage,
    contexts.PreparingPage,
    contexts.Notice,
    checkpoint_contexts.SittingPage,
)
"""Pages that htmx swaps in: they must bring both blocks themselves."""


def names_in(template: str, seen: set[str] | None = None) -> set[str]:
    """Return the variables that a template, its parents and its includes take from the context."""
    seen = set() if seen is None else seen
    seen.add(template)
    assert ENVIRONMENT.loader is not None
    source = ENVIRONMENT.loader.get_source(ENVIRONMENT, template)[0]
    tree = ENVIRONMENT.parse(source)
    names = set(meta.find_undeclared_variables(tree))
    for other in meta.find_referenced_templates(tree):
        if other is not None and other not in seen:
            names |= names_in(other, seen)
    return names - set(ENVIRONMENT.globals)


@pytest.mark.parametrize("name", ENVIRONMENT.list_templates())
def test_every_template_loads(name: str) -> None:
    ENVIRONMENT.get_template(name)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.__name__)
def test_a_page_names_exactly_the_fields_of_its_dataclass(page: type[PageContext]) -> None:
    declared = {field.name for field in dataclasses.fields(page)}
    used = names_in(page.TEMPLATE)
    assert used <= declared, f"not in the dataclass: {used - declared}"
    # Every page knows who is there; not every one says so.
    assert declared - used <= {"learner"}, f"never used: {declared - used}"


def test_every_page_template_belongs_to_a_dataclass() -> None:
    pages = {page.TEMPLATE for page in PAGES}
    shared = {"base.html", "paper.html", "macros.html"}
    for name in ENVIRONMENT.list_templates():
        is_partial = name.rsplit("/", 1)[-1].startswith("_")
        assert is_partial or name in pages | shared, name


@pytest.mark.parametrize("page", SWAPPED, ids=lambda page: page.__name__)
def test_pages_that_are_swapped_in_bring_their_blocks(page: type[PageContext]) -> None:
    assert set(FRAGMENT_BLOCKS) <= set(ENVIRONMENT.get_template(page.TEMPLATE).blocks)
