"""Log lines: for people by default, one JSON object a line for a collector."""

from __future__ import annotations

import logging
import sys

import structlog

from server.settings import Settings


def on_one_line(
    _logger: object, _method: str, event: structlog.typing.EventDict
) -> structlog.typing.EventDict:
    """Escape what no line may hold, so that nobody's words can pass for another line of the log.

    A fault's own traceback keeps its lines.
    """
    return {
        name: escaped(value) if isinstance(value, str) and name != "exception" else value
        for name, value in event.items()
    }


def escaped(words: str) -> str:
    """Return words with line ends, control and direction characters written out as escapes."""
    return "".join(
        one if one.isprintable() else one.encode("unicode_escape").decode() for one in words
    )


def set_up_logging(settings: Settings) -> None:
    """Send the program's own and its libraries' messages through one formatter."""
    shared: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    renderer: structlog.typing.Processor = (
        structlog.processors.JSONRenderer()
        if settings.log_format == "json"
        else structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty())
    )
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        cache_logger_on_first_use=True,
    )
    handler = logging.StreamHandler()
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.format_exc_info,
                on_one_line,
                renderer,
            ],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(settings.log_level.upper())
    # These two say at info what the access log and the migration message say better.
    logging.getLogger("uvicorn.access").disabled = True
    logging.getLogger("alembic").setLevel(logging.WARNING)
    logging.getLogger("numba").setLevel(logging.WARNING)
