"""Prefect flows: thin wrappers of the use cases in ``pipeline.jobs``."""
