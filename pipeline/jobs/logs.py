"""One JSON-lines file per run, kept in the data folder."""

from __future__ import annotations

import contextlib
import json
import logging
import os
from collections.abc import Iterator
from pathlib import Path

import pandas as pd

LOGGER = "pipeline"


class JsonLines(logging.Formatter):
    """Format a record as one JSON object on one line."""

    def format(self, record: logging.LogRecord) -> str:
        """Turn a record into a line."""
        entry = {
            "time": pd.Timestamp(record.created, unit="s", tz="UTC").isoformat(),
            "level": record.levelname.lower(),
            "module": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            entry["traceback"] = self.formatException(record.exc_info)
        return json.dumps(entry, ensure_ascii=False)


@contextlib.contextmanager
def log_to_file(folder: Path, started: pd.Timestamp) -> Iterator[Path]:
    """Write what the pipeline logs during a run to a file of its own.

    Parameters
    ----------
    folder : Path
        Log folder; made where it does not exist.
    started : Timestamp
        Start of the run, which names the file.

    Yields
    ------
    Path
        The file. It appears with the first record.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{started:%Y%m%dT%H%M%SZ}-{os.getpid()}.jsonl"
    handler = logging.FileHandler(path, encoding="utf-8", delay=True)
    handler.setFormatter(JsonLines())
    logger = logging.getLogger(LOGGER)
    level = logger.level
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    try:
        yield path
    finally:
        logger.removeHandler(handler)
        logger.setLevel(level)
        handler.close()
