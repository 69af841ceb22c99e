"""Named failures of the database, each in words that say what to do."""

from __future__ import annotations

from server.errors import FundusRoundsError


class DatabaseBusy(FundusRoundsError):
    """Another writer held the database for longer than a request may wait."""

    status = 503


class DatabaseUnavailable(FundusRoundsError):
    """The database cannot be reached or written just now (server gone, disk full)."""

    status = 503


class DatabaseNewer(FundusRoundsError):
    """The database was made by a newer version of the program."""


class DatabaseDamaged(FundusRoundsError):
    """The database breaks its own rules, so a migration must not build on it."""
