"""Pure physics on arrays in SI units."""
