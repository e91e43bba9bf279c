"""Back-test of gauge assumptions: their errors, where they matter, what a gauge is worth.

Pure functions on arrays and frames: no files, no clock.
"""
