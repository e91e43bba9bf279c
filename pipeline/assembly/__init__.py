"""From measurements to one frame per pump: who ran, which flow, what the suction side should be."""

from pipeline.assembly.grid_view import GridView
from pipeline.assembly.pump_frames import STATES, pump_frames, segment_column

__all__ = ["STATES", "GridView", "pump_frames", "segment_column"]
