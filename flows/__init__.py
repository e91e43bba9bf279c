"""Prefect flows: thin wrappers of the use cases in ``pipeline.jobs``.

Prefect reads its settings when it is imported, so what a quiet, private run needs is set here,
before. Whatever the environment says already stays as it is. A server or worker is a process
of its own and needs the same variables in its own environment.
"""

import os as _os

_DEFAULTS = {
    # Telemetry has two switches, one for clients and one for the server.
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    # Our tables say what is done. Hashing whole inputs for a cache would only cost time.
    "PREFECT_TASKS_DEFAULT_NO_CACHE": "true",
    "PREFECT_RESULTS_PERSIST_BY_DEFAULT": "false",
    # What the job logs is shown with its run; the console is left to what the caller prints.
    "PREFECT_LOGGING_EXTRA_LOGGERS": "pipeline",
    "PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL": "CRITICAL",
    # The embedded server makes its database at its first start, which takes slow machines
    # longer than the usual 20 s.
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "120",
}

for _name, _value in _DEFAULTS.items():
    _os.environ.setdefault(_name, _value)
