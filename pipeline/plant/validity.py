"""Since when an item of the plant file is as described."""

from __future__ import annotations

import pandas as pd

BEGINNING = pd.Timestamp("1900-01-01", tz="UTC")
"""``valid_from`` of whatever the plant file does not date."""
