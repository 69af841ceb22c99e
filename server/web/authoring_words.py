"""What the card makers' pages say of what was done."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

SAID: Final[Mapping[str, str]] = {
    "saved": "Saved.",
    "added": "The photograph is in the draft. Now mark what is where in it.",
    "added-burnt-in": "Brought in. The file says that words are burnt into the picture: look at "
    "its edges, and take it out again if they tell who, where or when. Then mark what is where.",
    "added-named": "Brought in. The file named its patient, place or day; nothing of that was "
    "kept. Now mark what is where in it.",
    "marked": "Saved.",
    "removed": "The photograph is out of the draft.",
    "sent": "Sent to review: somebody who wrote none of it decides.",
    "taken-back": "Taken back: it can be changed again.",
    "changes-asked": "Given back with your remark.",
    "dropped": "The draft is dropped.",
    "published": "Published: it comes in rounds from now on.",
    "withdrawn": "Withdrawn: nobody is shown it any more. What was answered stays as it is.",
    "put-back": "It comes in rounds again.",
    "unpacked": "The package is in: its cards come in rounds from now on.",
    "package-dropped": "The package is dropped.",
}

STATES: Final[Mapping[str, str]] = {
    "draft": "Draft",
    "review": "Under review",
    "changes": "Given back",
    "published": "Published",
    "dropped": "Dropped",
}

ACTS: Final[Mapping[str, str]] = {
    "made": "began the draft",
    "change-begun": "began a new version",
    "saved": "changed the words",
    "designed": "changed the design",
    "imported": "brought in a photograph",
    "photograph-added": "brought in a photograph",
    "photograph-marked": "marked a photograph",
    "photograph-removed": "took a photograph out",
    "sent": "sent it to review",
    "taken-back": "took it back",
    "changes-asked": "asked for a change",
    "published": "approved it",
    "withdrawn": "withdrew the card",
    "put-back": "put the card back",
    "dropped": "dropped the draft",
    "unpacked": "brought it in from a package",
}

OUTCOMES: Final[Mapping[str, str]] = {
    "new": "New here",
    "newer": "Takes the place of the version here",
    "same": "Here already, stays as it is",
    "older": "Older than the version here, which stays",
}

FIELDS: Final[Mapping[str, str]] = {
    "title": "Title",
    "about": "What it shows",
    "sign": "The sign",
    "tell": "How to tell",
    "meaning": "What it means",
    "urgency": "How urgent",
    "look_alike": "Not to be confused",
    "references": "What the lines rest on",
}
