"""Pump efficiency, degradation and cost from historian exports."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.tables.store import Tables, open_tables

__all__ = ["Tables", "open_tables"]


def __getattr__(name: str) -> Any:
    # Loaded when asked for: the command's help must not wait for them.
    if name in __all__:
        from pipeline.tables import store

        return getattr(store, name)
    raise AttributeError(f"module 'pipeline' has no attribute {name!r}")
