"""Simulation of the invented sample waterworks: what the exports are made from.

Nothing here is shared with the tool itself, so that the sample can check it.
"""
