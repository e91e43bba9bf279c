"""The page of a station and its figures, from the published tables."""

from pipeline.report.page import write_page
from pipeline.report.readings import Readings

__all__ = ["Readings", "write_page"]
