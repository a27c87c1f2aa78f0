"""The log: short lines for people on a terminal, one JSON object a line in a file."""

import json
import logging
import logging.handlers
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any, TextIO

from cleanspan.atomic import output_error
from cleanspan.night.config import LogFile, NightConfig

_STANDARD = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}


def facts(record: logging.LogRecord) -> dict[str, Any]:
    """Give what was passed as ``extra``."""
    return {key: value for key, value in vars(record).items() if key not in _STANDARD}


class JsonLine(logging.Formatter):
    """One JSON object: time (ISO 8601, UTC), level, event, and the event's own facts."""

    def format(self, record: logging.LogRecord) -> str:
        """Write a record; texts that JSON cannot hold are spelled out."""
        time = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        values = {
            "time": time,
            "level": record.levelname.lower(),
            "event": record.getMessage(),
            **facts(record),
        }
        if record.exc_info:
            values["trace"] = self.formatException(record.exc_info)
        return json.dumps(values, default=str)


class PlainLine(logging.Formatter):
    """A line for people: the time, what happened, and to which recording."""

    def format(self, record: logging.LogRecord) -> str:
        """Write a record."""
        values = facts(record)
        name = values.pop("recording", "")
        rest = ", ".join(f"{key} {value}" for key, value in values.items() if value != "")
        time = datetime.fromtimestamp(record.created).astimezone()
        line = f"{time:%H:%M:%S}  {record.getMessage()}"
        line += f": {name}" if name else ""
        line += f" ({rest})" if rest else ""
        return (
            line if record.levelno < logging.WARNING else f"{line}  [{record.levelname.lower()}]"
        )


@contextmanager
def journal(config: NightConfig, *, terminal: TextIO | None = None) -> Iterator[None]:
    """Log this package's events to the file, and to a terminal where one is given.

    Raises
    ------
    OutputError
        If the log file cannot be written.
    """
    logger = logging.getLogger("cleanspan")
    handlers: list[logging.Handler] = [_file_handler(config, config.log)]
    if terminal is not None:
        screen = logging.StreamHandler(terminal)
        screen.setFormatter(PlainLine())
        handlers.append(screen)
    level, propagates = logger.level, logger.propagate
    logger.setLevel(logging.INFO)
    logger.propagate = False
    for handler in handlers:
        logger.addHandler(handler)
    try:
        yield
    finally:
        for handler in handlers:
            logger.removeHandler(handler)
            handler.close()
        logger.setLevel(level)
        logger.propagate = propagates


class _Quiet(logging.handlers.RotatingFileHandler):
    """A log that a full disk silences but does not break."""

    _told = False

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: ARG002, N802 - logging's
        """Say once on standard error that the log cannot be written."""
        self._tell(sys.exc_info()[1])

    def close(self) -> None:
        """Close the file; lines that were still waiting for room must not hide how it went."""
        try:
            super().close()
        except OSError as error:  # the file is closed nevertheless
            self._tell(error)

    def _tell(self, error: BaseException | None) -> None:
        if not self._told:
            self._told = True
            sys.stderr.write(
                f"cleanspan: {self.baseFilename}: the log cannot be written: {error}\n"
            )


def _file_handler(config: NightConfig, log: LogFile) -> logging.Handler:
    """Open the log file, rotated by size."""
    path = config.log_path
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handler = _Quiet(
            path, maxBytes=int(log.max_mb * 1e6), backupCount=log.keep, encoding="utf-8"
        )
    except OSError as error:
        raise output_error(path, error) from error
    handler.setFormatter(JsonLine())
    return handler
