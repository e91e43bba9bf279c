"""Suction pressure: friction model, gauge health and filling of gaps."""
