"""The use cases: what the command line and the flows call."""
