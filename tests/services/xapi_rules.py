"""The rules of IEEE 9274.1.1 (xAPI 2.0) that a statement of ours could break.

Written from the standard's data model: required and allowed properties, one
identifier an agent, absolute addresses as identifiers and keys of extensions,
language maps, scores within their bounds, ISO 8601 durations, moments with an
offset (RFC 3339), no null anywhere, choices and responses of an interaction.
The standard's wording is from memory.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from datetime import datetime
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID

STATEMENT = {
    *("id", "actor", "verb", "object", "result", "context", "timestamp", "stored"),
    *("authority", "version", "attachments"),
}
RESULT = {"score", "success", "completion", "response", "duration", "extensions"}
CONTEXT = {
    *("registration", "instructor", "team", "contextActivities", "contextAgents"),
    *("contextGroups", "revision", "platform", "language", "statement", "extensions"),
}
DEFINITION = {
    *("name", "description", "type", "moreInfo", "extensions", "interactionType"),
    *("correctResponsesPattern", "choices", "scale", "source", "target", "steps"),
}
IDENTIFIERS = ("mbox", "mbox_sha1sum", "openid", "account")
DURATION = re.compile(r"P(?=.)(\d+D)?(T(?=.)(\d+H)?(\d+M)?(\d+(\.\d+)?S)?)?")
LANGUAGE = re.compile(r"[a-z]{2,3}(-[A-Za-z0-9]{2,8})*")


def broken(statement: Mapping[str, Any]) -> list[str]:
    """Return what is wrong with a statement, in words; empty when it keeps every rule."""
    return [*_statement(statement), *_nulls(statement, "statement")]


def _statement(one: Mapping[str, Any]) -> Iterator[str]:
    yield from _only(one, STATEMENT, "statement")
    missing = {"actor", "verb", "object"} - set(one)
    if missing:
        yield f"statement lacks {missing}"
        return
    try:
        if str(UUID(one["id"])) != one["id"]:
            yield "id is no UUID in its usual form"
    except (KeyError, ValueError):
        yield "id is no UUID"
    if not re.fullmatch(r"2\.0\.\d+", one.get("version", "")):
        yield "version is none of 2.0"
    yield from _agent(one["actor"])
    yield from _only(one["verb"], {"id", "display"}, "verb")
    yield from _iri(one["verb"].get("id"), "verb")
    yield from _words(one["verb"].get("display", {}), "verb display")
    yield from _activity(one["object"])
    yield from _result(one.get("result", {}), one["object"])
    yield from _context(one.get("context", {}))
    yield from _moment(one.get("timestamp"))


def _agent(agent: Mapping[str, Any]) -> Iterator[str]:
    yield from _only(agent, {"objectType", "name", *IDENTIFIERS}, "agent")
    if agent.get("objectType", "Agent") != "Agent":
        yield "actor is no agent"
    if sum(name in agent for name in IDENTIFIERS) != 1:
        yield "an agent has exactly one identifier"
    account = agent.get("account")
    if account is not None:
        if set(account) != {"homePage", "name"} or not account["name"]:
            yield "an account has a home page and a name"
        yield from _iri(account.get("homePage"), "home page")


def _activity(activity: Mapping[str, Any]) -> Iterator[str]:
    yield from _only(activity, {"objectType", "id", "definition"}, "activity")
    if activity.get("objectType", "Activity") != "Activity":
        yield "object is no activity"
    yield from _iri(activity.get("id"), "activity")
    definition = activity.get("definition", {})
    yield from _only(definition, DEFINITION, "definition")
    for name in ("name", "description"):
        yield from _words(definition.get(name, {}), name)
    if "type" in definition:
        yield from _iri(definition["type"], "type")
    yield from _extensions(definition.get("extensions", {}))
    kind = definition.get("interactionType")
    if kind is None:
        if {"correctResponsesPattern", "choices"} & set(definition):
            yield "responses without a kind of interaction"
        return
    if kind != "choice":
        yield f"interaction {kind!r} is none that we use"
    ids = [choice.get("id") for choice in definition.get("choices", [])]
    if len(ids) != len(set(ids)) or not ids:
        yield "choices need ids of their own"
    for choice in definition.get("choices", []):
        yield from _only(choice, {"id", "description"}, "choice")
        yield from _words(choice.get("description", {}), "choice")
    for pattern in definition.get("correctResponsesPattern", []):
        yield from _response(pattern, ids, "right response")


def _result(result: Mapping[str, Any], activity: Mapping[str, Any]) -> Iterator[str]:
    yield from _only(result, RESULT, "result")
    for name in ("success", "completion"):
        if name in result and not isinstance(result[name], bool):
            yield f"{name} is neither true nor false"
    score = result.get("score", {})
    yield from _only(score, {"scaled", "raw", "min", "max"}, "score")
    if not -1 <= score.get("scaled", 0) <= 1:
        yield "scaled score outside -1 to 1"
    if "min" in score and "max" in score and not score["min"] < score["max"]:
        yield "lowest score not below the highest"
    if not score.get("min", float("-inf")) <= score.get("raw", 0) <= score.get("max", float("inf")):
        yield "score outside its bounds"
    if "duration" in result and not DURATION.fullmatch(result["duration"]):
        yield f"duration {result['duration']!r}"
    if "response" in result:
        choices = activity.get("definition", {}).get("choices", [])
        yield from _response(result["response"], [one.get("id") for one in choices], "response")
    yield from _extensions(result.get("extensions", {}))


def _context(context: Mapping[str, Any]) -> Iterator[str]:
    yield from _only(context, CONTEXT, "context")
    around = context.get("contextActivities", {})
    yield from _only(around, {"parent", "grouping", "category", "other"}, "context activities")
    for activities in around.values():
        if not isinstance(activities, list):
            yield "context activities come in lists"
            continue
        for activity in activities:
            yield from _activity(activity)
    yield from _extensions(context.get("extensions", {}))


def _response(response: object, ids: Collection[object], what: str) -> Iterator[str]:
    if not isinstance(response, str) or not set(response.split("[,]")) <= set(ids):
        yield f"{what} {response!r} is none of the choices"


def _extensions(extensions: Mapping[str, Any]) -> Iterator[str]:
    for key in extensions:
        yield from _iri(key, "extension")


def _words(words: Mapping[str, Any], what: str) -> Iterator[str]:
    for language, text in words.items():
        if not LANGUAGE.fullmatch(language) or not isinstance(text, str):
            yield f"{what} is no language map"


def _moment(text: object) -> Iterator[str]:
    try:
        assert isinstance(text, str)
        if datetime.fromisoformat(text).tzinfo is None or text.endswith("-00:00"):
            yield "timestamp without an offset"
    except (AssertionError, ValueError):
        yield f"timestamp {text!r}"


def _iri(value: object, what: str) -> Iterator[str]:
    parts = urlsplit(value) if isinstance(value, str) else None
    if parts is None or not parts.scheme or not (parts.netloc or parts.path) or " " in str(value):
        yield f"{what}: {value!r} is no absolute address"


def _only(one: Mapping[str, Any], allowed: set[str], what: str) -> Iterator[str]:
    strange = set(one) - allowed
    if strange:
        yield f"{what} may not have {sorted(strange)}"


def _nulls(value: object, where: str) -> Iterator[str]:
    if value is None:
        yield f"{where} is null"
    elif isinstance(value, Mapping):
        for key, one in value.items():
            # Extensions may hold anything.
            if key != "extensions":
                yield from _nulls(one, f"{where}.{key}")
    elif isinstance(value, list):
        for one in value:
            yield from _nulls(one, where)
