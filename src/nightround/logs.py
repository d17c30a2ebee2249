"""Structured logging: one JSON line an act on standard error, with the fields that the act names."""

from __future__ import annotations

import json
import logging
import sys
from datetime import UTC, datetime

from .masking import Mask

_STANDARD = set(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}

_NOTHING = Mask(())


class Lines(logging.Formatter):
    """A record as one line of JSON: time in UTC, level, room, act, fields; all without the secrets of the mask."""

    def __init__(self, mask: Mask = _NOTHING) -> None:
        super().__init__()
        self._mask = mask

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, object] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "room": record.name,
            "act": record.getMessage(),
        }
        line.update({key: value for key, value in vars(record).items() if key not in _STANDARD})
        if record.exc_info:
            line["error"] = self.formatException(record.exc_info)
        return json.dumps(self._mask.inside(line), ensure_ascii=False, default=lambda one: self._mask(str(one)))


def start(mask: Mask, level: int = logging.INFO) -> None:
    """Sends every record to standard error as a line. Called once, by the program that serves."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(Lines(mask))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    # These would print a line for every wake-up, and paths with secrets in them.
    for name in ("apscheduler", "uvicorn.access", "alembic", "asyncio"):
        logging.getLogger(name).setLevel(logging.WARNING)
