"""Table contracts and the generation store."""
