"""Pump efficiency, degradation and cost from historian exports."""
