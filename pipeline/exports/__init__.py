"""From export files to a regular grid: readers, quality, aggregates, ledger."""
