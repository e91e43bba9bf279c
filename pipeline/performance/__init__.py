"""Operating points, baselines, trends, flags and money."""
