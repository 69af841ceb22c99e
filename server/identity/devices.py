"""Which browser on which system, in words, so that somebody recognises their own devices."""

from __future__ import annotations

BROWSERS = (
    ("Edg", "Edge"),
    ("OPR/", "Opera"),
    ("SamsungBrowser", "Samsung Internet"),
    ("Firefox", "Firefox"),
    ("FxiOS", "Firefox"),
    ("CriOS", "Chrome"),
    ("Chrome", "Chrome"),
    ("Safari", "Safari"),
)
"""Word in the browser's own description, and its name; the first that fits counts."""

SYSTEMS = (
    ("iPhone", "iPhone"),
    ("iPad", "iPad"),
    ("Android", "Android"),
    ("Windows", "Windows"),
    ("CrOS", "ChromeOS"),
    ("Macintosh", "Mac"),
    ("Linux", "Linux"),
)


def device_of(user_agent: str) -> str:
    """Return for example 'Firefox on Android'; versions and models are left out on purpose."""
    browser = next((name for word, name in BROWSERS if word in user_agent), "A browser")
    system = next((name for word, name in SYSTEMS if word in user_agent), "")
    return f"{browser} on {system}" if system else browser
